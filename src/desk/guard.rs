//! Whether a request may be answered at all, before anything of it is done.
//!
//! The desk answers one browser of one account. Whoever asks must know the key of this start (a cookie, which came with the
//! address that was opened), must have asked for this very address (a name that leads here from elsewhere is another), and
//! may change something only from a page of the desk itself. Nothing here looks at what is asked for.

use sha2::{Digest as _, Sha256};

/// The key of this start: 256 random bits, in hexadecimal.
#[derive(Clone)]
pub(super) struct Key(String);

/// What a request says of itself.
#[derive(Clone, Copy, Debug, Default)]
pub(super) struct Said<'a> {
    /// `GET`, `POST` …
    pub(super) method: &'a str,
    /// The path, without the query.
    pub(super) path: &'a str,
    /// The key in the query, where there is one.
    pub(super) key: Option<&'a str>,
    /// The headers of these names.
    pub(super) host: Option<&'a str>,
    /// See `host`.
    pub(super) origin: Option<&'a str>,
    /// See `host`.
    pub(super) cookie: Option<&'a str>,
    /// `Sec-Fetch-Site`: from where a browser says that it was asked.
    pub(super) site: Option<&'a str>,
}

/// What becomes of a request.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Verdict {
    /// It is answered.
    Answer,
    /// It brings the right key: it gets the cookie.
    Enter,
    /// Not by this address.
    Misdirected,
    /// Not by this method.
    Method,
    /// Not without the key, and not from another page.
    Refuse,
}

/// Where the key comes in.
pub(super) const DOOR: &str = "/open";

impl Key {
    /// A new one.
    ///
    /// # Errors
    /// If the system gives no random numbers.
    pub(super) fn new() -> std::io::Result<Key> {
        let mut bytes = [0; 32];
        getrandom::fill(&mut bytes).map_err(std::io::Error::other)?;
        Ok(Key(crate::files::hex(&bytes)))
    }

    /// As it stands in the address.
    pub(super) fn text(&self) -> &str {
        &self.0
    }

    /// Whether that is it. Sums are compared, so that the time taken says nothing of the key.
    fn is(&self, said: &str) -> bool {
        Sha256::digest(said) == Sha256::digest(&self.0)
    }
}

/// The address that a browser is answered at.
pub(super) fn host(port: u16) -> String {
    format!("127.0.0.1:{port}")
}

/// The cookie's name: two desks on one machine have one each.
pub(super) fn cookie(port: u16) -> String {
    format!("pailbeat-{port}")
}

/// What becomes of a request.
pub(super) fn judge(said: &Said, key: &Key, port: u16) -> Verdict {
    let host = host(port);
    if said.host != Some(&host) {
        return Verdict::Misdirected;
    }
    let changes = match said.method {
        "GET" | "HEAD" => false,
        "POST" => true,
        _ => return Verdict::Method,
    };
    if said.path == DOOR && !changes {
        return if said.key.is_some_and(|said| key.is(said)) { Verdict::Enter } else { Verdict::Refuse };
    }
    let name = cookie(port);
    let cookies = said.cookie.unwrap_or_default().split(';').filter_map(|c| c.trim().split_once('='));
    let knows = cookies.into_iter().any(|(n, value)| n == name && key.is(value));
    // A browser says where a request began; a program that is none need not.
    let here = said.site.is_none_or(|site| matches!(site, "same-origin" | "none"));
    let own = said.origin == Some(&format!("http://{host}"));
    let asked_here = if changes { own } else { own || said.origin.is_none() };
    if knows && here && asked_here { Verdict::Answer } else { Verdict::Refuse }
}

#[cfg(test)]
mod tests {
    use super::*;

    const PORT: u16 = 4711;

    fn check(expected: Verdict, change: impl Fn(&mut Said, &str)) {
        let key = Key("5e".repeat(32));
        let cookie = format!("other=1; {}={}", cookie(PORT), key.text());
        let mut said = Said {
            method: "POST",
            path: "/do/word",
            host: Some("127.0.0.1:4711"),
            origin: Some("http://127.0.0.1:4711"),
            cookie: Some(&cookie),
            site: Some("same-origin"),
            ..Said::default()
        };
        change(&mut said, key.text());
        assert_eq!(judge(&said, &key, PORT), expected, "{said:?}");
    }

    #[test]
    fn only_the_desks_own_pages_with_its_key_at_its_address_are_answered() {
        check(Verdict::Answer, |_, _| {});
        check(Verdict::Answer, |s, _| (s.method, s.origin) = ("GET", None));
        check(Verdict::Answer, |s, _| s.site = None);
        check(Verdict::Method, |s, _| s.method = "PUT");
        check(Verdict::Method, |s, _| s.method = "OPTIONS");
        for host in
            [None, Some("localhost:4711"), Some("127.0.0.1"), Some("desk.example.org:4711"), Some("127.0.0.1:80")]
        {
            check(Verdict::Misdirected, |s, _| s.host = host);
        }
        for origin in
            [None, Some("null"), Some("http://127.0.0.1:80"), Some("https://127.0.0.1:4711"), Some("http://a.example")]
        {
            check(Verdict::Refuse, |s, _| s.origin = origin);
        }
        check(Verdict::Refuse, |s, _| (s.method, s.origin) = ("GET", Some("http://a.example")));
        for site in ["cross-site", "same-site"] {
            check(Verdict::Refuse, |s, _| s.site = Some(site));
        }
        for cookie in [None, Some(""), Some("pailbeat-4711="), Some("pailbeat-4711=5e5e"), Some("pailbeat-80=5e")] {
            check(Verdict::Refuse, |s, _| s.cookie = cookie);
        }
    }

    #[test]
    fn the_door_opens_to_the_key_alone() {
        let at_the_door = |s: &mut Said| (s.method, s.path, s.cookie, s.origin) = ("GET", DOOR, None, None);
        let key = "5e".repeat(32);
        check(Verdict::Enter, |s, _| {
            at_the_door(s);
            s.site = Some("cross-site");
            s.key = Some(Box::leak(key.clone().into_boxed_str()));
        });
        for wrong in [None, Some(""), Some("5e")] {
            check(Verdict::Refuse, |s, _| {
                at_the_door(s);
                s.key = wrong;
            });
        }
    }
}
