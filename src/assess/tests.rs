//! Pupils with known faults, and without.

use super::pupil::{PARTS, Pupil};
use super::*;

fn kinds(take: &Assessment) -> Vec<Kind> {
    take.findings.iter().map(|f| f.kind).collect()
}

#[test]
fn probe() {
    let n: u64 = std::env::var("N").ok().and_then(|n| n.parse().ok()).unwrap_or(20);
    let what = std::env::var("W").unwrap_or_default();
    let (mut hit, mut other, mut clean) = (0, 0, 0);
    let mut status = std::collections::BTreeMap::new();
    for seed in 0..n {
        let part = PARTS[seed as usize % PARTS.len()];
        let mut pupil = Pupil::good(seed + 5000);
        let line = pupil.line(part);
        let m = line.strokes.len();
        let mut expected = None;
        match what.as_str() {
            "rush" => { pupil.drift = |x| 0.12 * x; expected = Some(Kind::Rushing) }
            "rush8" => { pupil.drift = |x| 0.08 * x; expected = Some(Kind::Rushing) }
            "drag" => { pupil.drift = |x| -0.12 * x; expected = Some(Kind::Dragging) }
            "uneven12" => { pupil.drift = |x| 0.12 * x + 0.02 * (2.0 * std::f64::consts::PI * 2.0 * x).sin(); expected = Some(Kind::Rushing) }
            "steps12" => { pupil.drift = |x| 0.12 * (x * 3.0).floor() / 2.0; expected = Some(Kind::Rushing) }
            "late12" => { pupil.drift = |x| 0.12 * ((x - 0.5) * 2.0).max(0.0); expected = Some(Kind::Rushing) }
            "wobble" => { pupil.drift = |x| 0.03 * (2.0 * std::f64::consts::PI * x).sin() }
            "wobble2" => { pupil.drift = |x| 0.03 * (2.0 * std::f64::consts::PI * 1.5 * x).sin() }
            "wobble3" => { pupil.drift = |x| 0.03 * (1.5 * std::f64::consts::PI * x).cos() }
            "join" => { pupil.drift = |x| if x > 0.4999 { 0.1 } else { 0.0 } }
            "step" => { pupil.drift = |x| if x > 0.5 { 0.1 } else { 0.0 } }
            "unsteady" => { pupil.unsteady = 0.015 }
            "miss" => { pupil.left_out = (0..m).filter(|j| (j * 7919 + seed as usize * 31) % 17 == 0 && *j > 2 && j + 3 < m).collect() }
            "soft" => { pupil.threshold = -24.0; pupil.touch_db = 4.0 }
            "soft2" => { pupil.threshold = -27.0; pupil.touch_db = 4.0 }
            "softmiss" => { pupil.threshold = -27.0; pupil.touch_db = 4.0; pupil.left_out = (0..m).filter(|j| (j * 7919 + seed as usize * 31) % 17 == 0 && *j > 2 && j + 3 < m).collect() }
            "left" => { pupil.left_late = 0.05; expected = Some(Kind::UnevenHands) }
            "apart" => { pupil.apart = (0.010, 0.045); expected = Some(Kind::NotTogether) }
            "flat" => { pupil.swell_db = 0.0; expected = Some(Kind::LevelFlat) }
            "surface" => { let p = seed as usize % line.passes.len(); pupil.elsewhere = Some((p, Surface::Rim, Surface::Centre)); expected = Some(Kind::WrongSurface) }
            _ => {}
        }
        let take = pupil.take(&line, &line);
        for (j, s) in take.strokes.iter().enumerate() {
            *status.entry(format!("{:?} {}", s.status, if pupil.left_out.contains(&j) { "left out" } else { "" })).or_insert(0) += 1;
        }
        let k = kinds(&take);
        if k.is_empty() { clean += 1 }
        if expected.is_some_and(|e| k.contains(&e)) { hit += 1 }
        other += k.iter().filter(|k| Some(**k) != expected).count();
        if take.findings.iter().any(|f| Some(f.kind) != expected) && std::env::var("V").is_ok() {
            println!("seed {seed} {} jitter {:.0} est {:?} {:?}", line.title, pupil.jitter * 1e3, take.jitter.map(|j| j.millis().round()), take.limits.last());
            for f in &take.findings {
                println!("   {:?} {:.2} {} {:.2} | {} | {}", f.kind, f.confidence, f.unit.word(), f.size, f.text, f.evidence);
            }
        }
        if std::env::var("A").is_ok() { println!("{:?}\n", take.advice); }
    }
    println!("{what}: {hit} found, {other} others, {clean} clean of {n}; {status:?}");
}
