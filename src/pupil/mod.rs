//! What the pupil's page does, apart from showing, sounding and keeping: what can be chosen, what is drawn while it is
//! played, what is said afterwards, what is given to the teacher.
//!
//! In: what was handed out ([`Handed`]), wishes, samples. Out: rows as JSON and pieces of HTML for the page's own code, which
//! shows them as they are. Nothing is heard, judged or worded here: that is [`chain`], [`crate::assess::say`] and
//! [`crate::report`], as in the program.
//!
//! | file | in -> out |
//! |---|---|
//! | `wish` | what a pupil wants to play -> a practice and its guide |
//! | `bars` | a practice -> its bars as they are drawn while it is played |
//! | `echo` | a drill, its recording as it comes -> what is drawn, sounded and said |
//! | `check` | a short recording -> what would spoil a take, and how the surfaces sound |
//! | `given` | a take -> the file for the teacher |
//! | `file` | what is handed out, the page's code -> the page |

mod bars;
mod check;
mod echo;
#[cfg(feature = "edge")]
mod file;
#[cfg(any(feature = "edge", feature = "page"))]
mod given;
#[cfg(test)]
mod tests;
mod wish;

use serde::{Deserialize, Serialize};

use crate::assess::{Assessment, RerunRule, say};
use crate::chain::{self, Asked, Beside, Guides, Samples, Watch, quietly};
use crate::drill::Drill;
use crate::guide::{CAUTION, Guide, Practice};
use crate::part::{Part, Surface};
use crate::report::{json, page};
use crate::surface::Calibration;
use crate::take::{Card, HOLDS_HOURS, KeptCheck, PartOfTake, Tally};
use crate::units::{Bpm, SampleRate, Seconds};

#[cfg(feature = "edge")]
pub use file::{CODE, Code, NO_CODE, page as file};
pub use wish::Wish;

/// What the recording of a check's strikes is called in the file for the teacher.
const STRIKES: &str = "strikes.wav";

/// What a page is handed out with.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct Handed {
    /// The part file's text.
    pub part: String,
    /// Its fingerprint (SHA-256, hexadecimal).
    pub sha256: String,
    /// The part file's name.
    pub name: String,
    /// Quarter notes a minute.
    pub bpm: f64,
    /// The sections in order, where it is not the part's own form.
    pub form: Option<String>,
    /// Who may play it: nobody named, one, or those who choose.
    pub pupils: Vec<String>,
    /// The text of an echo drill, where one is handed out with it.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub drill: Option<String>,
}

/// Why the page cannot do what was asked of it, in words for who reads it.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
#[error("{0}")]
pub struct Refused(pub String);

impl Refused {
    fn of(error: impl std::fmt::Display) -> Refused {
        Refused(error.to_string())
    }
}

/// What the page knows of a recording beside its sound. Counts of samples are at the recording's rate.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
#[serde(default)]
pub struct Facts {
    /// When it began, as cards write it.
    pub began: String,
    /// The nickname.
    pub pupil: Option<String>,
    /// Whether the guide was played, the count-in at least.
    pub guide_played: bool,
    /// Where the guide's first sample was due in the recording, by the browser's clock.
    pub guide_from_samples: Option<i64>,
    /// The microphone's name.
    pub microphone: String,
    /// The loudspeaker's name.
    pub loudspeaker: Option<String>,
    /// Why it ended, where it did not end as asked.
    pub cut_short: Option<String>,
    /// Samples that were lost while recording.
    pub dropped_samples: u64,
    /// It was opened from a file: what it was played to is not known.
    pub opened: bool,
    /// How practising the same bars at this tempo has gone before it.
    pub tally: Option<Tally>,
}

/// What was heard last.
struct Last {
    assessment: Assessment,
    laps: Vec<std::ops::Range<usize>>,
    card: Card,
}

/// A pupil at the page.
pub struct Pupil {
    handed: Handed,
    part: Part,
    known: Calibration,
    check: Option<KeptCheck>,
    last: Option<Last>,
    drill: Option<Drill>,
    playing: Option<echo::Playing>,
    /// The card of the drill that was heard last.
    drilled: Option<String>,
}

#[derive(Serialize)]
struct ChoicesRow {
    title: String,
    meter: String,
    form: Vec<String>,
    pupils: Vec<String>,
    bpm: f64,
    slowest: f64,
    fastest: f64,
    pieces: Vec<PieceRow>,
    /// What the drill is called, where there is one.
    drill: Option<String>,
    surfaces: Vec<SurfaceRow>,
    /// What a sound check is made of, in seconds.
    check_strikes_from_s: f64,
    check_each_s: f64,
    check_holds_hours: i64,
    caution: &'static str,
    care: &'static str,
}

#[derive(Serialize)]
struct PieceRow {
    words: String,
    detail: String,
    wish: Wish,
}

#[derive(Serialize)]
struct SurfaceRow {
    word: &'static str,
    say: &'static str,
    sign: String,
}

/// What is shown after a take.
#[derive(Serialize)]
struct ToldRow {
    /// Pieces of HTML.
    keep: String,
    fix: String,
    next: String,
    chart: String,
    twin: String,
    limits: Vec<String>,
    next_bpm: f64,
    /// The bars of the fix: what to play, in words, and where they were played in the recording.
    again: Option<AgainRow>,
    /// Where the same bars were played several times: what the rule says of their tempo.
    rule: Option<RuleRow>,
}

#[derive(Serialize)]
struct RuleRow {
    words: String,
    bpm: f64,
    tally: Tally,
}

#[derive(Serialize)]
struct AgainRow {
    words: String,
    place: String,
    wish: Wish,
    played_s: Option<[f64; 2]>,
}

impl Pupil {
    /// From what was handed out.
    ///
    /// # Errors
    /// If it holds no part that can be played.
    pub fn new(handed: Handed) -> Result<Pupil, Refused> {
        let part = crate::part::parse(&handed.part)
            .map_err(|errors| Refused(errors.first().map_or_else(String::new, ToString::to_string)))?;
        let drill = handed.drill.as_deref().map(echo::read).transpose()?;
        let (known, check, last, playing, drilled) = (Calibration::default(), None, None, None, None);
        let pupil = Pupil { handed, part, known, check, last, drill, playing, drilled };
        pupil.practice(&pupil.whole(pupil.handed.bpm))?;
        Ok(pupil)
    }

    /// All of it, as it was handed out.
    fn whole(&self, bpm: f64) -> Wish {
        Wish { bpm, ..Wish::default() }
    }

    /// What a wish asks to be played.
    fn practice(&self, wish: &Wish) -> Result<Practice, Refused> {
        Practice::of(&self.part, self.handed.form.as_deref(), &wish.laps(), wish.tempo()?).map_err(Refused::of)
    }

    fn guide_of(&self, wish: &Wish, practice: &Practice, rate: SampleRate) -> Result<Guide, Refused> {
        crate::guide::render(practice, &wish.config(), rate).map_err(Refused::of)
    }

    /// What can be chosen, and what the page says beside it: JSON.
    ///
    /// # Errors
    /// If it cannot be drawn.
    pub fn choices(&self) -> Result<String, Refused> {
        let whole = self.practice(&self.whole(self.handed.bpm))?.timeline;
        let form: Vec<String> = whole.passes.iter().map(|pass| pass.section.clone()).collect();
        let mut pieces = vec![PieceRow {
            words: "the whole thing".into(),
            detail: form.join(" "),
            wish: self.whole(self.handed.bpm),
        }];
        let mut sections: Vec<&String> = Vec::new();
        form.iter().for_each(|name| {
            if !sections.contains(&name) {
                sections.push(name)
            }
        });
        let more = |words: String, section: Option<String>, join: Option<[String; 2]>| PieceRow {
            words,
            detail: String::new(),
            wish: Wish { section, join, ..self.whole(self.handed.bpm) },
        };
        if sections.len() > 1 {
            pieces.extend(sections.iter().map(|name| more(format!("only {name}"), Some((*name).clone()), None)));
        }
        let mut joins: Vec<[String; 2]> = Vec::new();
        for pair in form.windows(2) {
            if let [a, b] = pair
                && a != b
                && !joins.iter().any(|[c, d]| c == a && d == b)
            {
                joins.push([a.clone(), b.clone()]);
            }
        }
        pieces.extend(joins.into_iter().map(|[a, b]| more(format!("only the join, {a} to {b}"), None, Some([a, b]))));
        let struck = |surface: &Surface| whole.strokes.iter().any(|stroke| stroke.surface == *surface);
        let surfaces = Surface::ALL.into_iter().filter(struck).map(|surface| {
            let sign = page::sign(surface).map_err(Refused::of)?;
            Ok(SurfaceRow { word: surface.word(), say: say::surface(surface), sign })
        });
        let range = self.part.range;
        let bpm = Bpm::new(self.handed.bpm).map_or(range.start.get(), Bpm::get);
        row(&ChoicesRow {
            title: crate::report::shown(&self.part.title),
            meter: format!("{}/{}", self.part.meter.beats, self.part.meter.unit),
            form,
            pupils: self.handed.pupils.iter().map(|name| crate::report::shown(name)).collect(),
            bpm,
            // What the teacher has asked for can be chosen, whatever the part says.
            slowest: range.slowest().get().min(bpm),
            fastest: range.fastest().get().max(bpm),
            pieces,
            drill: self.drill.as_ref().map(|drill| crate::report::shown(&drill.title)),
            surfaces: surfaces.collect::<Result<_, Refused>>()?,
            check_strikes_from_s: crate::take::soundcheck::STRIKES_FROM.get(),
            check_each_s: check::EACH_S,
            check_holds_hours: HOLDS_HOURS,
            caution: CAUTION,
            care: page::CARE,
        })
    }

    /// What is drawn while a wish is played: JSON.
    ///
    /// # Errors
    /// A wish for what is not written, or one that cannot be drawn.
    pub fn plan(&self, wish: &Wish) -> Result<String, Refused> {
        let practice = self.practice(wish)?;
        let guide = self.guide_of(wish, &practice, crate::units::EAR_RATE)?;
        row(&bars::plan(&practice, &guide).map_err(Refused::of)?)
    }

    /// The guide of a wish, as samples at a rate; full scale is 1.
    ///
    /// # Errors
    /// A wish for what is not written.
    pub fn guide(&self, wish: &Wish, rate: SampleRate) -> Result<Vec<f32>, Refused> {
        Ok(self.guide_of(wish, &self.practice(wish)?, rate)?.samples())
    }

    /// What `pailbeat assess PART TAKE --bpm N --json` prints of the same samples.
    ///
    /// # Errors
    /// A rate or a tempo out of all bounds.
    pub fn assess(&self, samples: &[f32], rate: SampleRate, bpm: f64) -> Result<String, Refused> {
        let practice = self.practice(&self.whole(bpm))?;
        let mut sound = Samples { samples, rate };
        let verdict = chain::assess(&mut sound, &Asked::practice(&practice), &Beside::default(), &mut quietly)
            .map_err(Refused::of)?;
        Ok(json::assessment(&verdict.assessment))
    }

    /// Hears a take that was played for a wish, and keeps what came of it for [`Pupil::told`] and the teacher's file. Gives
    /// the JSON that the program prints of it.
    ///
    /// # Errors
    /// A rate out of all bounds; where `watch` says to stop.
    pub fn hear(
        &mut self,
        wish: &Wish,
        facts: &Facts,
        samples: &[f32],
        rate: SampleRate,
        watch: Watch,
    ) -> Result<String, Refused> {
        let practice = self.practice(wish)?;
        let guide = self.guide_of(wish, &practice, rate)?;
        let card = self.card(wish, facts, &guide, rate, samples.len());
        // As a take is judged by its card.
        let guides = match (facts.opened, facts.guide_played) {
            (true, _) => Guides::Likely,
            (false, true) => Guides::Played(vec![self.guide_of(wish, &practice, crate::units::EAR_RATE)?]),
            (false, false) => Guides::None,
        };
        let asked = Asked { guides, ..Asked::practice(&practice) };
        let beside = Beside { known: self.known.clone(), named: Vec::new(), card: Some(card.says()) };
        let verdict = chain::assess(&mut Samples { samples, rate }, &asked, &beside, watch).map_err(Refused::of)?;
        let said = json::assessment(&verdict.assessment);
        self.last = Some(Last { assessment: verdict.assessment, laps: practice.laps, card });
        Ok(said)
    }

    fn card(&self, wish: &Wish, facts: &Facts, guide: &Guide, rate: SampleRate, length: usize) -> Card {
        let form = Some(()).filter(|()| wish.is_whole()).and(self.handed.form.as_deref());
        let bpm = wish.tempo().unwrap_or(self.part.range.start);
        let mut asked = crate::guide::Description::new(&self.part, form, &wish.laps(), bpm, guide);
        asked.part_sha256 = Some(self.handed.sha256.clone());
        let part = PartOfTake {
            path: Some(self.handed.name.clone().into()),
            sha256: Some(self.handed.sha256.clone()),
            title: Some(self.part.title.clone()),
        };
        let from = facts.guide_from_samples.map(|n| n as f64 / f64::from(rate.get()));
        Card {
            pupil: facts.pupil.clone(),
            guide_played: facts.guide_played,
            guide_from_samples: facts.guide_from_samples,
            start_s: from.map(|from| from + guide.start.get()),
            round_trip_ms: self.check.as_ref().and_then(|check| check.round_trip_ms),
            loudspeaker: facts.loudspeaker.clone(),
            length_samples: Some(length as u64),
            cut_short: facts.cut_short.clone(),
            dropped_samples: facts.dropped_samples,
            sound_check: self.check.clone(),
            tally: facts.tally,
            ..Card::begun(facts.began.clone(), part, asked, facts.microphone.clone(), rate.get(), 1)
        }
    }

    /// What is shown of the take that was heard last: JSON.
    ///
    /// # Errors
    /// If none was, or it cannot be drawn.
    pub fn told(&self) -> Result<String, Refused> {
        let last = self.last.as_ref().ok_or_else(|| Refused("no take was heard yet".into()))?;
        let take = &last.assessment;
        let after = page::after(take).map_err(Refused::of)?;
        let timeline = &take.timeline;
        let again = take.advice.practise.as_ref().and_then(|bars| {
            let wish = Wish::of_bars(timeline, bars, take.advice.next.get())?;
            Some(AgainRow {
                words: say::exercise(timeline, bars),
                place: wish.place(),
                wish,
                played_s: played(take, bars).map(|(from, to)| [from.get(), to.get()]),
            })
        });
        row(&ToldRow {
            keep: after.keep,
            fix: after.fix,
            next: after.next,
            chart: after.chart,
            twin: after.twin,
            limits: take.limits.iter().map(|limit| say::limit(timeline, limit)).collect(),
            next_bpm: take.advice.next.get(),
            again,
            rule: (last.laps.len() > 1).then(|| rule(last)),
        })
    }
}

/// As `pailbeat again` goes on.
fn rule(last: &Last) -> RuleRow {
    let before = last.card.tally.unwrap_or_default();
    let (next, tally, why) = before.after(&RerunRule::default(), &last.assessment, &last.laps);
    RuleRow { words: crate::english::capital(&format!("{why}.")), bpm: next.get(), tally }
}

/// Where some bars were played in the recording: a beat before their first strike to a beat after their last.
fn played(take: &Assessment, bars: &std::ops::Range<usize>) -> Option<(Seconds, Seconds)> {
    let inside = take.timeline.bars.get(bars.clone())?;
    let strokes = inside.first()?.strokes.start..inside.last()?.strokes.end;
    let mut struck = take.strokes.get(strokes)?.iter().filter_map(|s| take.strikes.get(s.strike?)).map(|s| s.at);
    let first = struck.next()?;
    let last = struck.next_back().unwrap_or(first);
    let beat = take.timeline.meter.beat().to_seconds(take.clock.map_or(take.timeline.bpm, |clock| clock.bpm));
    Some((Seconds::of((first - beat).get().max(0.0)), last + beat))
}

fn row(row: &impl Serialize) -> Result<String, Refused> {
    serde_json::to_string(row).map_err(Refused::of)
}
