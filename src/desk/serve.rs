//! Requests -> answers. Only here is anything known of the network, and it is the loopback alone.

use std::convert::Infallible;
use std::io::Write as _;
use std::net::Ipv4Addr;
use std::pin::Pin;
use std::sync::Arc;
use std::task::{Context, Poll};
use std::time::Duration;

use base64::Engine as _;
use base64::engine::general_purpose::STANDARD;
use http_body_util::{BodyExt as _, Limited};
use hyper::body::{Body, Bytes, Frame, Incoming, SizeHint};
use hyper::header::{self, HeaderMap, HeaderValue};
use hyper::{Request, Response, StatusCode};
use hyper_util::rt::{TokioIo, TokioTimer};
use sha2::{Digest as _, Sha256};
use tokio::net::TcpListener;

use super::act::Act;
use super::arrivals::Arriving;
use super::doing::unkept;
use super::guard::{self, DOOR, Key, Said, Verdict};
use super::look::{Look, value};
use super::sound::{Playable, SoundError, as_written, moments, recording, written};
use super::{Trouble, held, pages, writing};

/// A form has at most so many bytes: a part and a roster have some thousands.
const LARGEST_FORM: usize = 1 << 20;
/// A file has at most so many: more than an hour of film from a phone.
const LARGEST_FILE: u64 = 8 << 30;
/// Bytes of a sound that are read at a time.
const PIECE: usize = 1 << 18;
/// Who begins a request ends its head within this time.
const PATIENCE: Duration = Duration::from_secs(30);

const SCRIPT: &str = include_str!("../../assets/desk/desk.js");

/// What no page may do: load or send anything elsewhere, be shown inside another, run what is not the desk's own script.
const POLICY: &str = "default-src 'none'; script-src 'self'; style-src 'self'; font-src 'self'; img-src 'self' data:; \
     media-src 'self' blob:; connect-src 'self'; form-action 'self'; base-uri 'none'; frame-ancestors 'none'";

/// A desk that is served.
pub struct Desk {
    listener: std::net::TcpListener,
    key: Key,
    port: u16,
}

/// Opens a place for the desk on this machine, at a port that the system chooses.
///
/// # Errors
/// If the system gives none, or no random numbers.
pub fn open() -> std::io::Result<Desk> {
    let listener = std::net::TcpListener::bind((Ipv4Addr::LOCALHOST, 0))?;
    let port = listener.local_addr()?.port();
    Ok(Desk { listener, key: Key::new()?, port })
}

impl Desk {
    /// The address to be opened, with its key.
    pub fn address(&self) -> String {
        format!("http://{}{DOOR}?key={}", guard::host(self.port), self.key.text())
    }

    /// Serves until the program is ended.
    ///
    /// # Errors
    /// If the system takes the place away.
    pub fn serve(self, desk: super::Desk) -> std::io::Result<()> {
        let desk = Arc::new(desk);
        desk.gather_leftovers();
        self.listener.set_nonblocking(true)?;
        let one = Arc::new(One { desk, key: self.key, port: self.port });
        let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build()?;
        runtime.block_on(async move {
            let listener = TcpListener::from_std(self.listener)?;
            loop {
                let Ok((stream, _)) = listener.accept().await else {
                    // Too many at once: those that are there go on.
                    tokio::time::sleep(Duration::from_millis(50)).await;
                    continue;
                };
                let one = Arc::clone(&one);
                tokio::spawn(async move {
                    let service = hyper::service::service_fn(move |request| {
                        let one = Arc::clone(&one);
                        async move { Ok::<_, Infallible>(one.answer(request).await) }
                    });
                    // A browser that goes away in the middle is nobody to tell.
                    let _ = hyper::server::conn::http1::Builder::new()
                        .timer(TokioTimer::new())
                        .header_read_timeout(PATIENCE)
                        .serve_connection(TokioIo::new(stream), service)
                        .await;
                });
            }
        })
    }
}

/// A body: bytes, or a sound read piece by piece.
pub(super) enum Out {
    Whole(Option<Bytes>),
    Sound { sound: Arc<Playable>, from: u64, left: u64 },
}

impl Body for Out {
    type Data = Bytes;
    type Error = std::io::Error;

    fn poll_frame(mut self: Pin<&mut Self>, _: &mut Context<'_>) -> Poll<Option<Result<Frame<Bytes>, std::io::Error>>> {
        Poll::Ready(match &mut *self {
            Out::Whole(bytes) => bytes.take().map(|bytes| Ok(Frame::data(bytes))),
            Out::Sound { left: 0, .. } => None,
            Out::Sound { sound, from, left } => {
                let most = usize::try_from(*left).unwrap_or(PIECE).min(PIECE);
                Some(match sound.read(*from, most) {
                    Ok(read) if read.is_empty() => Err(std::io::Error::other("the sound ended early")),
                    Ok(read) => {
                        *from += read.len() as u64;
                        *left = left.saturating_sub(read.len() as u64);
                        Ok(Frame::data(Bytes::from(read)))
                    }
                    Err(error) => Err(error),
                })
            }
        })
    }

    fn size_hint(&self) -> SizeHint {
        SizeHint::with_exact(match self {
            Out::Whole(bytes) => bytes.as_ref().map_or(0, |b| b.len() as u64),
            Out::Sound { left, .. } => *left,
        })
    }
}

type Answer = Response<Out>;

fn whole(status: StatusCode, kind: &'static str, body: impl Into<Bytes>) -> Answer {
    let mut out = Response::new(Out::Whole(Some(body.into())));
    *out.status_mut() = status;
    out.headers_mut().insert(header::CONTENT_TYPE, HeaderValue::from_static(kind));
    out
}

fn page(status: StatusCode, html: String) -> Answer {
    whole(status, "text/html; charset=utf-8", html)
}

/// Pages of the reports, which hold their style: just that style, by its sum, and no script at all.
fn sheets(html: String) -> Answer {
    let styles = html.split("<style>").skip(1).filter_map(|rest| rest.split("</style>").next());
    let sums: Vec<String> =
        styles.map(|style| format!("'sha256-{}'", STANDARD.encode(Sha256::digest(style.as_bytes())))).collect();
    let policy = format!(
        "default-src 'none'; style-src {}; font-src data:; img-src data:; base-uri 'none'; form-action 'none'; \
         frame-ancestors 'none'",
        sums.join(" ")
    );
    let mut answer = page(StatusCode::OK, html);
    if let Ok(policy) = HeaderValue::from_str(&policy) {
        answer.headers_mut().insert(header::CONTENT_SECURITY_POLICY, policy);
    }
    answer
}

/// Nothing but what was wrong: who asks from elsewhere learns nothing.
fn refuse(status: StatusCode, what: &'static str) -> Answer {
    whole(status, "text/plain; charset=utf-8", what)
}

/// The desk that answers.
struct One {
    desk: Arc<super::Desk>,
    key: Key,
    port: u16,
}

impl One {
    async fn answer(self: Arc<One>, request: Request<Incoming>) -> Answer {
        let mut answer = self.judged(request).await;
        let headers = answer.headers_mut();
        let fixed = [
            (header::X_CONTENT_TYPE_OPTIONS, "nosniff"),
            (header::X_FRAME_OPTIONS, "DENY"),
            // Without an origin a form could not be told from another page's.
            (header::REFERRER_POLICY, "same-origin"),
            (header::HeaderName::from_static("cross-origin-opener-policy"), "same-origin"),
            (header::HeaderName::from_static("cross-origin-resource-policy"), "same-origin"),
        ];
        for (name, value) in fixed {
            headers.insert(name, HeaderValue::from_static(value));
        }
        headers.entry(header::CONTENT_SECURITY_POLICY).or_insert(HeaderValue::from_static(POLICY));
        headers.entry(header::CACHE_CONTROL).or_insert(HeaderValue::from_static("no-store"));
        answer
    }

    async fn judged(self: &Arc<One>, request: Request<Incoming>) -> Answer {
        let query: Vec<(String, String)> =
            form_urlencoded::parse(request.uri().query().unwrap_or_default().as_bytes()).into_owned().collect();
        let text = |name: header::HeaderName| request.headers().get(name).and_then(|v| v.to_str().ok());
        // Said twice, it cannot be told which is meant.
        let once = |name: header::HeaderName| request.headers().get_all(&name).iter().count() < 2;
        let said = Said {
            method: request.method().as_str(),
            path: request.uri().path(),
            key: value(&query, "key"),
            host: text(header::HOST).filter(|_| once(header::HOST)),
            origin: text(header::ORIGIN).filter(|_| once(header::ORIGIN)),
            cookie: text(header::COOKIE),
            site: text(header::HeaderName::from_static("sec-fetch-site")),
        };
        // Whole addresses in the first line name a host too, and it must be ours.
        let elsewhere = request.uri().authority().is_some_and(|a| a.as_str() != guard::host(self.port));
        match guard::judge(&said, &self.key, self.port) {
            _ if elsewhere => refuse(StatusCode::MISDIRECTED_REQUEST, "This is another address."),
            Verdict::Misdirected => refuse(StatusCode::MISDIRECTED_REQUEST, "This is another address."),
            Verdict::Method => refuse(StatusCode::METHOD_NOT_ALLOWED, "This is not how the desk is asked."),
            Verdict::Refuse => refuse(
                StatusCode::FORBIDDEN,
                "The desk answers only the browser that it opened. Start `pailbeat desk` again: it opens the page.",
            ),
            Verdict::Enter => self.enter(),
            Verdict::Answer if request.method() == hyper::Method::POST => self.posted(request, &query).await,
            Verdict::Answer => {
                let (path, range) = (request.uri().path().to_owned(), range(request.headers()));
                let no_body = request.method() == hyper::Method::HEAD;
                let one = Arc::clone(self);
                let mut answer = blocking(move || one.got(&path, &query, range)).await;
                if no_body {
                    let size = answer.body().size_hint().exact().unwrap_or(0);
                    *answer.body_mut() = Out::Whole(None);
                    answer.headers_mut().insert(header::CONTENT_LENGTH, HeaderValue::from(size));
                }
                answer
            }
        }
    }

    /// Gives the cookie. The page goes on by itself: asked from this page, the next request is the desk's own.
    fn enter(&self) -> Answer {
        let mut answer = page(StatusCode::OK, pages::door());
        let cookie = format!("{}={}; HttpOnly; SameSite=Strict; Path=/", guard::cookie(self.port), self.key.text());
        if let Ok(cookie) = HeaderValue::from_str(&cookie) {
            answer.headers_mut().insert(header::SET_COOKIE, cookie);
        }
        answer
    }

    fn got(&self, path: &str, query: &[(String, String)], range: Option<(u64, Option<u64>)>) -> Answer {
        let desk = &self.desk;
        let number = |name: &str| value(query, name).and_then(|v| v.parse::<i64>().ok());
        let found = match path {
            "/desk.css" => return lasting(whole(StatusCode::OK, "text/css; charset=utf-8", pages::style())),
            "/desk.js" => return lasting(whole(StatusCode::OK, "text/javascript; charset=utf-8", SCRIPT)),
            "/regular.woff2" => return lasting(whole(StatusCode::OK, "font/woff2", crate::report::page::FACES[0])),
            "/bold.woff2" => return lasting(whole(StatusCode::OK, "font/woff2", crate::report::page::FACES[1])),
            "/favicon.ico" => return refuse(StatusCode::NOT_FOUND, ""),
            "/arriving" => {
                let state = serde_json::to_string(&pages::progress(desk)).unwrap_or_default();
                return whole(StatusCode::OK, "application/json", state);
            }
            "/sound/take" => number("id").map(|id| self.take(id)),
            "/sound/written" => number("id").map(|id| self.written(id)),
            "/sound/waiting" => number("id").map(|id| self.waiting(id)),
            "/sound/place" => {
                let bar = |name: &str| number(name).and_then(|n| usize::try_from(n).ok());
                if let Some(id) = number("id") {
                    return match self.place(id, bar("from"), bar("to")) {
                        Ok(bytes) => whole(StatusCode::OK, "audio/wav", bytes),
                        Err(trouble) => in_trouble(&trouble),
                    };
                }
                None
            }
            _ => None,
        };
        match found {
            Some(Ok(sound)) => sounding(sound, range),
            Some(Err(trouble)) => in_trouble(&trouble),
            None => match Look::parse(path, query) {
                None => page(
                    StatusCode::NOT_FOUND,
                    pages::trouble(&Trouble::new("there is no such page", "go back to the class")),
                ),
                Some(look) => match pages::page(desk, &look, None) {
                    Ok(html) if matches!(look, Look::Print(_)) => sheets(html),
                    Ok(html) => page(StatusCode::OK, html),
                    Err(trouble) => in_trouble(&trouble),
                },
            },
        }
    }

    async fn posted(self: &Arc<One>, request: Request<Incoming>, query: &[(String, String)]) -> Answer {
        let path = request.uri().path().to_owned();
        if path == "/arrive" {
            return self.arrive(request, query).await;
        }
        let writing = matches!(path.as_str(), "/part/look" | "/part/sound");
        let Some(name) = path.strip_prefix("/do/").or(writing.then_some(&path)).map(str::to_owned) else {
            return refuse(StatusCode::NOT_FOUND, "There is nothing to do at this address.");
        };
        let form = request.headers().get(header::CONTENT_TYPE).and_then(|v| v.to_str().ok()).unwrap_or_default();
        if !form.starts_with("application/x-www-form-urlencoded") {
            return refuse(StatusCode::UNSUPPORTED_MEDIA_TYPE, "This is no form of the desk.");
        }
        let Ok(body) = Limited::new(request.into_body(), LARGEST_FORM).collect().await else {
            return refuse(StatusCode::PAYLOAD_TOO_LARGE, "The form is larger than the desk takes.");
        };
        let form: Vec<(String, String)> = form_urlencoded::parse(&body.to_bytes()).into_owned().collect();
        let one = Arc::clone(self);
        blocking(move || if writing { one.written_part(&name, &form) } else { one.done(&name, &form) }).await
    }

    /// A part that is being written; nothing is kept of it.
    fn written_part(&self, path: &str, form: &[(String, String)]) -> Answer {
        let text = |name: &str| value(form, name).unwrap_or_default();
        let part = text("part").replace("\r\n", "\n");
        if path == "/part/look" {
            let said = serde_json::to_string(&writing::look(&part, text("form"), text("bpm"))).unwrap_or_default();
            return whole(StatusCode::OK, "application/json", said);
        }
        match writing::sound(&part, text("form"), text("bpm"), &self.sounds()) {
            Ok(sound) => sounding(Arc::new(sound), None),
            Err(Trouble { what, hint }) => {
                whole(StatusCode::CONFLICT, "text/plain; charset=utf-8", format!("{what}; {hint}"))
            }
        }
    }

    fn done(&self, name: &str, form: &[(String, String)]) -> Answer {
        let back = value(form, "back").and_then(Look::at).unwrap_or(Look::Start);
        let done = Act::parse(name, form).and_then(|act| self.desk.act(act));
        let (status, look, notice) = match done {
            // Where the form says where to go on, it is gone on to there.
            Ok(done) => {
                let next = value(form, "next").and_then(Look::at);
                (StatusCode::OK, done.go.clone().or(next).unwrap_or(back), Ok(done))
            }
            Err(trouble) => (StatusCode::CONFLICT, back, Err(trouble)),
        };
        let mut answer = match pages::page(&self.desk, &look, Some(&notice)) {
            Ok(html) => page(status, html),
            Err(trouble) => page(StatusCode::CONFLICT, pages::trouble(notice.as_ref().err().unwrap_or(&trouble))),
        };
        if let Ok(address) = HeaderValue::from_str(&look.address()) {
            answer.headers_mut().insert(header::CONTENT_LOCATION, address);
        }
        answer
    }

    /// A file, whole or not at all.
    async fn arrive(self: &Arc<One>, request: Request<Incoming>, query: &[(String, String)]) -> Answer {
        let folder = self.desk.folder().to_owned();
        if !self.desk.has_book() {
            return refuse(StatusCode::CONFLICT, "There is no class yet that it could be for: begin with a class.");
        }
        let too_large = || refuse(StatusCode::PAYLOAD_TOO_LARGE, "It is larger than the desk takes.");
        if request.body().size_hint().lower() > LARGEST_FILE {
            return too_large();
        }
        let lost = |error: &std::io::Error| {
            let Trouble { what, hint } = unkept(&folder, error);
            whole(StatusCode::INSUFFICIENT_STORAGE, "text/plain; charset=utf-8", format!("{what}; {hint}"))
        };
        let changed = value(query, "changed").and_then(|v| v.parse().ok());
        let mut arriving = match Arriving::begin(&folder, value(query, "name").unwrap_or_default()) {
            Ok(arriving) => arriving,
            Err(error) => return lost(&error),
        };
        let (mut body, mut length) = (request.into_body(), 0);
        while let Some(frame) = body.frame().await {
            let Ok(frame) = frame else { return refuse(StatusCode::BAD_REQUEST, "It broke off.") };
            let Some(piece) = frame.data_ref() else { continue };
            length += piece.len() as u64;
            if length > LARGEST_FILE {
                return too_large();
            }
            if let Err(error) = arriving.file().write_all(piece) {
                return lost(&error);
            }
        }
        match arriving.keep(changed) {
            Ok(()) => whole(StatusCode::OK, "text/plain; charset=utf-8", "kept"),
            Err(error) => lost(&error),
        }
    }

    fn sounds(&self) -> std::path::PathBuf {
        self.desk.folder().join("sound")
    }

    fn take(&self, id: i64) -> Result<Arc<Playable>, Trouble> {
        let stored = self.desk.see(|book| book.take(id))?;
        let silent = || Trouble::new("the sound of this take is no longer kept", "there is nothing to hear");
        let path = stored.sound.map(|name| self.sounds().join(name)).filter(|p| p.is_file()).ok_or_else(silent)?;
        let make = || recording(&path, &self.sounds());
        self.desk.sounds.get(&format!("take {id}"), make).map_err(Trouble::from)
    }

    fn waiting(&self, number: i64) -> Result<Arc<Playable>, Trouble> {
        let gone = || Trouble::new("there is no such recording on the list", "it may have been settled");
        let found = self.desk.see(|book| book.waiting())?.into_iter().find(|w| w.number == number);
        let path = found.ok_or_else(gone)?.sound;
        // Numbers come again: the sum of the bytes does not.
        let name = path.file_name().map(|n| n.to_string_lossy().into_owned()).unwrap_or_default();
        self.desk.sounds.get(&name, || recording(&path, &self.sounds())).map_err(Trouble::from)
    }

    fn written(&self, id: i64) -> Result<Arc<Playable>, Trouble> {
        let silent = || Trouble::new("the sound of this take is no longer kept", "there is nothing to hear");
        let heard = self.desk.heard(id)?.ok_or_else(silent)?;
        let make = || written(&as_written(&heard)?, &self.sounds());
        self.desk.sounds.get(&format!("written {id}"), make).map_err(Trouble::from)
    }

    fn place(&self, id: i64, from: Option<usize>, to: Option<usize>) -> Result<Vec<u8>, Trouble> {
        let sound = self.take(id)?;
        let heard = self.desk.heard(id)?;
        let span = heard.as_ref().zip(from.zip(to)).and_then(|(heard, (from, to))| moments(heard, from..to));
        let whole = (crate::units::Seconds::ZERO, crate::units::Seconds::of(1e6));
        let (from, to) = span.unwrap_or(whole);
        sound.piece(from, to).map_err(|e| SoundError::Disk(e).into())
    }
}

/// The same for as long as this program runs.
fn lasting(mut answer: Answer) -> Answer {
    answer.headers_mut().insert(header::CACHE_CONTROL, HeaderValue::from_static("no-cache"));
    answer
}

/// The one range that is asked for.
fn range(headers: &HeaderMap) -> Option<(u64, Option<u64>)> {
    let said = headers.get(header::RANGE)?.to_str().ok()?.strip_prefix("bytes=")?;
    let (from, to) = said.split_once('-')?;
    let to = if to.is_empty() { None } else { Some(to.parse().ok()?) };
    Some((from.parse().ok()?, to))
}

fn in_trouble(trouble: &Trouble) -> Answer {
    page(StatusCode::CONFLICT, pages::trouble(trouble))
}

/// A sound, or the piece of it that is asked for (RFC 9110, section 14).
fn sounding(sound: Arc<Playable>, range: Option<(u64, Option<u64>)>) -> Answer {
    let length = sound.length;
    let (status, from, end) = match range {
        None => (StatusCode::OK, 0, length),
        Some((from, _)) if from >= length => {
            let mut answer = refuse(StatusCode::RANGE_NOT_SATISFIABLE, "It is shorter.");
            if let Ok(said) = HeaderValue::from_str(&format!("bytes */{length}")) {
                answer.headers_mut().insert(header::CONTENT_RANGE, said);
            }
            return answer;
        }
        Some((from, to)) => {
            (StatusCode::PARTIAL_CONTENT, from, to.map_or(length, |to| to.saturating_add(1)).min(length))
        }
    };
    let mut answer = Response::new(Out::Sound { sound, from, left: end.saturating_sub(from) });
    *answer.status_mut() = status;
    let headers = answer.headers_mut();
    headers.insert(header::CONTENT_TYPE, HeaderValue::from_static("audio/wav"));
    headers.insert(header::ACCEPT_RANGES, HeaderValue::from_static("bytes"));
    if status == StatusCode::PARTIAL_CONTENT
        && let Ok(said) = HeaderValue::from_str(&format!("bytes {from}-{}/{length}", end.saturating_sub(1)))
    {
        headers.insert(header::CONTENT_RANGE, said);
    }
    answer
}

/// Work that reads files, on a thread of its own.
async fn blocking(work: impl FnOnce() -> Answer + Send + 'static) -> Answer {
    let done = tokio::task::spawn_blocking(work).await;
    done.unwrap_or_else(|_| {
        let trouble = Trouble::new("the desk failed at this", "load the page again; nothing that was kept is lost");
        page(StatusCode::INTERNAL_SERVER_ERROR, pages::trouble(&trouble))
    })
}

impl super::Desk {
    /// Who has the book while something waits for it.
    pub(super) fn waits_for(&self) -> Option<String> {
        let holder = held(&self.waits).clone()?;
        // Our own gathering is on the page already.
        (holder.process != std::process::id()).then_some(holder.what)
    }
}
