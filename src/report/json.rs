//! The fixed machine-readable output.
//!
//! Field names are a contract; more may be added beside them. Times are in seconds from the start of the recording,
//! lateness in milliseconds (positive is late), levels in decibels relative to full scale, tempi in quarter notes a
//! minute. What is not known is `null`. `hands` is `"R"`, `"L"`, `"both"`, or `null` where one hand is written without
//! saying which. `bars` is the first and last bar a finding may concern: the same twice when the bar is known, `null`
//! for the whole take. `late_ms` is against the clock: the guide where it was heard, else the player's own pulse; both
//! stand beside as `late_guide_ms` and `late_own_ms`. `practise` counts bars within the section as played out; where it goes
//! over a join, `into` is what it goes on with. `statements` tells equal findings as one: `findings` are indices. `slips` are
//! what was heard besides that no kind of finding names.

use serde::Serialize;

use crate::align::Step;
use crate::assess::{Assessment, Clock, ClockSource, Slip, Status, say};
use crate::guide::{Description, Guide};
use crate::onset::Onset;
use crate::part::{Bar, Dynamic, Hand, Hands, Pass, Stroke, Timeline};
use crate::units::{Seconds, Ticks};

#[derive(Serialize)]
struct Strikes {
    strikes: Vec<OnsetRow>,
}

#[derive(Serialize)]
struct OnsetRow {
    t_s: f64,
    level_db: f64,
    sigma_ms: f64,
    certainty: f64,
}

#[derive(Serialize)]
struct GuideRow<'a> {
    start_s: f64,
    bpm: f64,
    length_s: f64,
    rate_hz: u32,
    count_in_beats: u32,
    passes: Vec<PassRow>,
    caution: &'static str,
    guide: &'a Description,
}

#[derive(Serialize)]
struct PassRow {
    section: String,
    bars: [u32; 2],
    start_s: f64,
}

#[derive(Serialize)]
struct Verdict {
    clock: Option<ClockRow>,
    strikes: Vec<StrikeRow>,
    strokes: Vec<StrokeRow>,
    findings: Vec<FindingRow>,
    statements: Vec<StatementRow>,
    slips: Vec<SlipRow>,
    advice: AdviceRow,
    limits: Vec<String>,
    part: PartRow,
    jitter_ms: Option<f64>,
    stretches: Vec<StretchRow>,
}

#[derive(Serialize)]
struct ClockRow {
    source: &'static str,
    start_s: f64,
    bpm: f64,
}

#[derive(Serialize)]
struct StrikeRow {
    t_s: f64,
    surface: &'static str,
    surface_p: f64,
    level_db: f64,
    stroke: Option<usize>,
    spread_ms: Option<f64>,
    sigma_ms: f64,
    step: &'static str,
    certainty: f64,
    late_ms: Option<f64>,
    late_own_ms: Option<f64>,
    late_guide_ms: Option<f64>,
    bpm: Option<f64>,
}

/// A stroke as written.
#[derive(Serialize)]
struct WrittenRow {
    section: String,
    pass: u32,
    bar: u32,
    beat: f64,
    surface: &'static str,
    hands: Option<&'static str>,
}

#[derive(Serialize)]
struct StrokeRow {
    #[serde(flatten)]
    written: WrittenRow,
    status: &'static str,
    late_ms: Option<f64>,
    late_own_ms: Option<f64>,
    late_guide_ms: Option<f64>,
    late_sigma_ms: Option<f64>,
    bpm: Option<f64>,
    strike: Option<usize>,
}

#[derive(Serialize)]
struct FindingRow {
    kind: &'static str,
    section: Option<String>,
    pass: Option<u32>,
    bar: Option<u32>,
    beat: Option<f64>,
    t_s: Option<f64>,
    size: f64,
    unit: &'static str,
    confidence: f64,
    bars: Option<[u32; 2]>,
    text: String,
    evidence: String,
    otherwise: Option<&'static str>,
}

#[derive(Serialize)]
struct StatementRow {
    kind: &'static str,
    findings: Vec<usize>,
    text: String,
}

#[derive(Serialize)]
struct SlipRow {
    slip: &'static str,
    stroke: usize,
    beats: Option<f64>,
}

#[derive(Serialize)]
struct AdviceRow {
    praise: String,
    fix: String,
    next_bpm: f64,
    why: String,
    about: Option<usize>,
    practise: Option<PractiseRow>,
}

#[derive(Serialize)]
struct PractiseRow {
    section: String,
    pass: u32,
    bars: [u32; 2],
    into: Option<Box<PractiseRow>>,
    text: String,
}

#[derive(Serialize)]
struct PartRow {
    title: String,
    meter: String,
    asked_bpm: f64,
    form: Vec<String>,
}

#[derive(Serialize)]
struct StretchRow {
    began: &'static str,
    strikes: [usize; 2],
    strokes: [usize; 2],
}

#[derive(Serialize)]
struct ToPlay {
    part: PartRow,
    length_s: f64,
    strokes: Vec<ToPlayRow>,
    rests: Vec<RestRow>,
}

#[derive(Serialize)]
struct ToPlayRow {
    at_s: f64,
    #[serde(flatten)]
    written: WrittenRow,
    level: Option<&'static str>,
}

#[derive(Serialize)]
struct RestRow {
    from_s: f64,
    to_s: f64,
}

/// What `check --json` prints: every stroke in seconds from beat 1 of bar 1.
pub fn timeline(timeline: &Timeline) -> String {
    let seconds = |at: Ticks| micro(at.to_seconds(timeline.bpm).get());
    let strokes = timeline.strokes.iter().enumerate().map(|(i, stroke)| ToPlayRow {
        at_s: seconds(stroke.at),
        written: written(timeline, i, stroke),
        level: stroke.level.map(Dynamic::letter),
    });
    let rests = timeline.rests.iter().map(|rest| RestRow { from_s: seconds(rest.from), to_s: seconds(rest.to) });
    print(&ToPlay {
        part: part(timeline),
        length_s: seconds(timeline.end()),
        strokes: strokes.collect(),
        rests: rests.collect(),
    })
}

/// What `strikes --json` prints.
pub fn strikes<'a>(onsets: impl Iterator<Item = &'a Onset>) -> String {
    let rows = onsets.map(|onset| OnsetRow {
        t_s: micro(onset.at.get()),
        level_db: hundredth(onset.level.0),
        sigma_ms: micro(onset.sigma.millis()),
        certainty: micro(onset.certainty),
    });
    print(&Strikes { strikes: rows.collect() })
}

/// What `guide --json` prints. `guide` is what a take card holds of it.
pub fn guide(guide: &Guide, timeline: &Timeline, about: &Description) -> String {
    let passes = timeline.passes.iter().filter_map(|pass| {
        let bars = timeline.bars.get(pass.bars.clone())?;
        let (first, last) = (bars.first()?, bars.last()?);
        let start = guide.start + first.at.to_seconds(timeline.bpm);
        Some(PassRow { section: pass.section.clone(), bars: [first.number, last.number], start_s: micro(start.get()) })
    });
    print(&GuideRow {
        start_s: micro(guide.start.get()),
        bpm: micro(timeline.bpm.get()),
        length_s: micro(guide.lasts().get()),
        rate_hz: guide.rate.get(),
        count_in_beats: guide.count_in,
        passes: passes.collect(),
        caution: crate::guide::CAUTION,
        guide: about,
    })
}

/// What `assess --json` prints.
pub fn assessment(assessment: &Assessment) -> String {
    let timeline = &assessment.timeline;
    // Where nothing was played the guide still says where beat 1 stands.
    let guided = assessment.guide.as_ref().map(|guide| Clock {
        source: ClockSource::Guide,
        start: guide.start,
        bpm: timeline.bpm,
    });
    let by_guide = |stroke: Option<usize>, at: Option<Seconds>| {
        assessment.late_by_guide(stroke?, at?).map(|late| micro(late.millis()))
    };
    let clock = assessment.clock.or(guided).map(|clock| ClockRow {
        source: match clock.source {
            ClockSource::Guide => "guide",
            ClockSource::TakeCard => "take-card",
            ClockSource::OwnPulse => "own-pulse",
        },
        start_s: micro(clock.start.get()),
        bpm: micro(clock.bpm.get()),
    });
    let strikes = assessment.strikes.iter().map(|strike| StrikeRow {
        t_s: micro(strike.at.get()),
        surface: strike.surface.word(),
        surface_p: micro(strike.surface_p),
        level_db: hundredth(strike.level.0),
        stroke: strike.stroke,
        spread_ms: strike.spread.map(|spread| micro(spread.millis())),
        sigma_ms: micro(strike.sigma.millis()),
        step: step(strike.step),
        certainty: micro(strike.certainty),
        late_ms: by_guide(strike.stroke, Some(strike.at)).or(strike.late.map(|late| micro(late.millis()))),
        late_own_ms: strike.late.map(|late| micro(late.millis())),
        late_guide_ms: by_guide(strike.stroke, Some(strike.at)),
        bpm: strike.bpm.map(|bpm| micro(bpm.get())),
    });
    let strokes = timeline.strokes.iter().enumerate().zip(&assessment.strokes).map(|((i, stroke), judged)| {
        let struck = |strike: Option<usize>| by_guide(Some(i), assessment.strikes.get(strike?).map(|s| s.at));
        StrokeRow {
            written: written(timeline, i, stroke),
            status: status(judged.status),
            late_ms: struck(judged.strike).or(judged.late.map(|late| micro(late.millis()))),
            late_own_ms: judged.late.map(|late| micro(late.millis())),
            late_guide_ms: struck(judged.strike),
            late_sigma_ms: judged.late_sigma.map(|sigma| micro(sigma.millis())),
            bpm: judged.bpm.map(|bpm| micro(bpm.get())),
            strike: judged.strike,
        }
    });
    let findings = assessment.findings.iter().map(|finding| {
        let (size, unit) = finding.what.size();
        FindingRow {
            kind: finding.kind().word(),
            section: finding.section(timeline).map(str::to_owned),
            pass: finding.pass(timeline),
            bar: finding.bar(timeline),
            beat: finding.beat(timeline).map(micro),
            t_s: finding.at.map(|at| micro(at.get())),
            size: micro(size),
            unit: unit.word(),
            confidence: micro(finding.confidence),
            bars: finding.bars(timeline).map(|(first, last)| [first, last]),
            text: say::finding(assessment, finding),
            evidence: say::evidence(&finding.evidence),
            otherwise: finding.otherwise.map(|kind| kind.word()),
        }
    });
    let statements = assessment.statements().into_iter().map(|statement| StatementRow {
        kind: assessment.findings.get(statement.start).map_or("", |f| f.kind().word()),
        findings: statement.clone().collect(),
        text: say::statement(assessment, statement),
    });
    let slips = assessment.slips.iter().map(|slip| SlipRow {
        slip: match slip {
            Slip::Extra { .. } => "extra",
            Slip::TooSoon { .. } => "too-soon",
            Slip::TooLong { .. } => "too-long",
        },
        stroke: slip.stroke(),
        beats: match slip {
            Slip::Extra { .. } => None,
            Slip::TooSoon { beats, .. } | Slip::TooLong { beats, .. } => Some(micro(*beats)),
        },
    });
    let advice = &assessment.advice;
    let practise = advice.practise.as_ref().and_then(|bars| practise(timeline, bars));
    let stretches = assessment.stretches.iter().map(|stretch| StretchRow {
        began: step(stretch.began),
        strikes: [stretch.strikes.start, stretch.strikes.end],
        strokes: [stretch.strokes.start, stretch.strokes.end],
    });
    print(&Verdict {
        clock,
        strikes: strikes.collect(),
        strokes: strokes.collect(),
        findings: findings.collect(),
        statements: statements.collect(),
        slips: slips.collect(),
        advice: AdviceRow {
            praise: say::praise(assessment),
            fix: say::fix(assessment),
            next_bpm: micro(advice.next.get()),
            why: say::why(assessment),
            about: advice.about(),
            practise,
        },
        limits: assessment.limits.iter().map(|limit| say::limit(timeline, limit)).collect(),
        part: part(timeline),
        jitter_ms: assessment.jitter.map(|jitter| micro(jitter.millis())),
        stretches: stretches.collect(),
    })
}

/// The bars of one pass, and what they go into.
fn practise(timeline: &Timeline, bars: &std::ops::Range<usize>) -> Option<PractiseRow> {
    let (first, pass) = pass_of(timeline, bars.start)?;
    // A pass that ends before it begins leads nowhere.
    let end = Some(bars.end.min(pass.bars.end)).filter(|end| *end > bars.start)?;
    let (last, _) = pass_of(timeline, end - 1)?;
    Some(PractiseRow {
        section: pass.section.clone(),
        pass: pass.number,
        bars: [first.number, last.number],
        into: (end < bars.end).then(|| practise(timeline, &(end..bars.end)).map(Box::new)).flatten(),
        text: say::exercise(timeline, bars),
    })
}

fn pass_of(timeline: &Timeline, bar: usize) -> Option<(&Bar, &Pass)> {
    let bar = timeline.bars.get(bar)?;
    Some((bar, timeline.passes.get(bar.pass)?))
}

fn written(timeline: &Timeline, i: usize, stroke: &Stroke) -> WrittenRow {
    let place = pass_of(timeline, stroke.bar);
    WrittenRow {
        section: place.map_or_else(String::new, |(_, pass)| pass.section.clone()),
        pass: place.map_or(1, |(_, pass)| pass.number),
        bar: place.map_or(1, |(bar, _)| bar.number),
        beat: micro(timeline.beat(i)),
        surface: stroke.surface.word(),
        hands: match stroke.hands {
            Hands::Either => None,
            Hands::One(Hand::Right) => Some("R"),
            Hands::One(Hand::Left) => Some("L"),
            Hands::Both => Some("both"),
        },
    }
}

fn part(timeline: &Timeline) -> PartRow {
    PartRow {
        title: timeline.title.clone(),
        meter: format!("{}/{}", timeline.meter.beats, timeline.meter.unit),
        asked_bpm: micro(timeline.bpm.get()),
        form: timeline.passes.iter().map(|pass| pass.section.clone()).collect(),
    }
}

fn status(status: Status) -> &'static str {
    match status {
        Status::Played => "played",
        Status::Missed => "missed",
        Status::WrongSurface => "wrong-surface",
        Status::NotHeard => "not-heard",
        Status::NotReached => "not-reached",
    }
}

fn step(step: Step) -> &'static str {
    match step {
        Step::Start => "start",
        Step::Match => "match",
        Step::Displaced => "displaced",
        Step::Shift => "shift",
        Step::NewTempo => "new-tempo",
        Step::Jump => "jump",
        Step::JumpAfterPause => "jump-after-pause",
        Step::Extra => "extra",
        Step::Lost => "lost",
        Step::InRest => "in-rest",
        Step::Double => "double",
        Step::CountIn => "count-in",
        Step::Bounce => "bounce",
    }
}

/// To a millionth: a microsecond, or a nanosecond of lateness, is below anything measured here. What is not a number
/// stays so and is printed as `null`.
fn micro(number: f64) -> f64 {
    rounded(number, 1e6)
}

fn hundredth(number: f64) -> f64 {
    rounded(number, 1e2)
}

fn rounded(number: f64, parts: f64) -> f64 {
    let scaled = number * parts;
    if scaled.is_finite() { scaled.round() / parts + 0.0 } else { number }
}

/// Rows of plain numbers and strings always print.
fn print<T: Serialize>(rows: &T) -> String {
    serde_json::to_string_pretty(rows).unwrap_or_else(|_| "null".to_owned())
}
