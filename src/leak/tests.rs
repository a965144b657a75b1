use super::*;
use crate::guide::{GuideConfig, Heard, Laps, Practice, render};
use crate::part::parse;
use crate::rng::Rng;
use crate::units::{Bpm, EAR_RATE};

fn guide(bpm: f64, heard: Heard) -> Guide {
    guide_of(bpm, heard, 1)
}

/// The same, played so often.
fn guide_of(bpm: f64, heard: Heard, times: u32) -> Guide {
    let part = parse(
        "title = \"Lantern Parade\"\nmeter = \"4/4\"\nbpm = { start = 66, goal = 96 }\nform = \"A A B B\"\n\
         [sections.A]\nstrokes = \"oxx. o.x. | oxx. o.x. | ooxo oooo | O.-- X.-- |\"\n\
         [sections.B]\nstrokes = \"+.xx +.o. | xx+. o.-- |\"\n",
    )
    .unwrap();
    let laps = Laps { times, ..Laps::default() };
    let practice = Practice::of(&part, None, &laps, Bpm::new(bpm).unwrap()).unwrap();
    render(&practice, &GuideConfig { heard, ..GuideConfig::default() }, EAR_RATE).unwrap()
}

/// A recording: the guide through a small room from another device, strikes at the guide's beats and halves with some
/// spread, noise. `leak`: the guide's peak.
fn recording(guide: &Guide, start: f64, ppm: f64, leak: f64, strikes: bool, seed: u64) -> Vec<f32> {
    let mut rough = Rng(seed);
    let rate = f64::from(EAR_RATE.get());
    let n = ((guide.lasts().get() + start.max(0.0) + 0.5) * rate) as usize;
    let played = guide.samples();
    let sinc = sinc::Sinc::new();
    let direct: Vec<f32> =
        (0..n).map(|k| sinc.at(&played, (k as f64 / rate - start) / (1.0 + ppm * 1e-6) * rate)).collect();
    // A loudspeaker's slight third power, a wall 3.1 ms later, another 11 ms later.
    let mut out = vec![0.0f32; n];
    let peak = direct.iter().fold(1e-9f32, |m, v| m.max(v.abs()));
    for (k, out) in out.iter_mut().enumerate() {
        let echo = |by: usize| k.checked_sub(by).map_or(0.0, |i| f64::from(direct[i] / peak));
        let v = echo(0) + 0.5 * echo(137) - 0.3 * echo(485);
        *out = (leak * (v - 0.05 * v.powi(3)) + 3e-4 * rough.signed()) as f32;
    }
    if strikes {
        let first = guide.events[0].at.to_seconds(guide.rate).get();
        let beat = 60.0 / 96.0 / 2.0;
        for k in 8..((guide.lasts().get() - first) / beat) as usize {
            if rough.signed() > 0.4 {
                continue;
            }
            let at = start + first + k as f64 * beat + 0.012 * rough.signed() + 0.01;
            let (from, loud) = ((at * rate) as usize, 0.5 + 0.2 * rough.signed());
            let hz = if k % 3 == 0 { 340.0 } else { 790.0 };
            for (i, v) in out.iter_mut().skip(from).take(6000).enumerate() {
                let t = i as f64 / rate;
                let ring = (-t / 0.03).exp() * (std::f64::consts::TAU * hz * t).sin();
                *v += (loud * (ring + 0.6 * (-t / 0.004).exp() * rough.signed())) as f32;
            }
        }
    }
    out
}

#[test]
fn a_guide_is_found_to_a_twentieth_of_a_millisecond_wherever_it_begins() {
    let guide = guide(96.0, Heard::Click);
    let reference = Reference::of(&guide);
    for (k, (start, ppm, leak)) in
        [(0.3, 0.0, 0.25), (1.7, -290.0, 0.1), (2.2, 300.0, 0.02), (-6.4, 41.0, 0.1)].into_iter().enumerate()
    {
        let x = recording(&guide, start, ppm, leak, true, 7 + k as u64);
        let (lock, z) = find(&reference, &Low::of(&x));
        let lock = lock.unwrap_or_else(|| panic!("start {start}, {ppm} ppm, leak {leak}: z {z}"));
        let off = (lock.start.get() - start) * 1e3;
        assert!(off.abs() < 0.05 && (lock.skew.0 - ppm).abs() < 5.0, "{off} ms, {} for {ppm} ppm, z {z}", lock.skew.0);
    }
}

#[test]
fn no_guide_is_found_where_there_is_none() {
    let guide = guide(96.0, Heard::Click);
    let reference = Reference::of(&guide);
    for seed in 1..4 {
        let x = recording(&guide, 0.5, 0.0, 0.0, true, seed);
        let (lock, z) = find(&reference, &Low::of(&x));
        assert!(lock.is_none() && z < 9.0, "{z}");
    }
    assert!(find(&reference, &Band::default()).0.is_none());
    assert!(find(&reference, &[0.0; 200_000].into_iter().collect()).0.is_none());
}

#[test]
fn a_guide_is_taken_out_by_thirty_decibels_and_the_strikes_stay() {
    let guide = guide(96.0, Heard::Click);
    let reference = Reference::of(&guide);
    for (seed, ppm) in [(3, 0.0), (4, 220.0)] {
        let x = recording(&guide, 0.8, ppm, 0.2, true, seed);
        let dry = recording(&guide, 0.8, ppm, 0.0, true, seed);
        let (lock, _) = find(&reference, &Low::of(&x));
        let (rest, removed) = remove(&reference, &x, &lock.unwrap());
        let energy = |a: &[f32]| a.iter().map(|v| f64::from(*v).powi(2)).sum::<f64>();
        let leak: Vec<f32> = x.iter().zip(&dry).map(|(a, b)| a - b).collect();
        let left: Vec<f32> = rest.iter().zip(&dry).map(|(a, b)| a - b).collect();
        let db = 10.0 * (energy(&leak) / energy(&left)).log10();
        let off = (removed.clock.at(Seconds::of(10.0)).get() - 0.8 - 10.0 * (1.0 + ppm * 1e-6)) * 1e3;
        assert!(db > 30.0, "{db} dB at {ppm} ppm");
        assert!(off.abs() < 0.05, "{off} ms at {ppm} ppm");
    }
}

#[test]
fn a_long_guide_is_taken_out_in_sections_as_deep_as_a_short_one_and_one_clock_holds_for_all() {
    let guide = guide_of(96.0, Heard::Click, 8);
    let reference = Reference::of(&guide);
    // Three sections; the recording ends within the last.
    assert!(guide.lasts().get() > 240.0, "{:?}", guide.lasts());
    let cut = 236 * EAR_RATE.get() as usize;
    let mut x = recording(&guide, 0.8, 170.0, 0.2, true, 5);
    let mut dry = recording(&guide, 0.8, 170.0, 0.0, true, 5);
    x.truncate(cut);
    dry.truncate(cut);
    let (lock, _) = find(&reference, &Low::of(&x));
    let lock = lock.unwrap();
    let (rest, removed) = remove(&reference, &x, &lock);
    assert_eq!(rest.len(), x.len());
    let energy = |a: &[f32]| a.iter().map(|v| f64::from(*v).powi(2)).sum::<f64>();
    let piece = 10 * EAR_RATE.get() as usize;
    for (k, ((x, dry), rest)) in x.chunks(piece).zip(dry.chunks(piece)).zip(rest.chunks(piece)).enumerate() {
        let leak: Vec<f32> = x.iter().zip(dry).map(|(a, b)| a - b).collect();
        let left: Vec<f32> = rest.iter().zip(dry).map(|(a, b)| a - b).collect();
        let db = 10.0 * (energy(&leak) / energy(&left)).log10();
        assert!(db > 28.0, "{db} dB at {} s", 10 * k);
    }
    for at in (5..230).step_by(5).map(f64::from) {
        let off = (removed.clock.at(Seconds::of(at)).get() - 0.8 - at * (1.0 + 170.0 * 1e-6)) * 1e3;
        assert!(off.abs() < 0.05, "{off} ms at {at} s");
    }
    assert!(removed.sounds.windows(2).all(|w| w[0].at < w[1].at), "a sound told by two sections");
    let sounds = guide.events.iter().filter(|e| e.at.to_seconds(guide.rate).get() < 235.0).count();
    assert!(removed.sounds.len().abs_diff(sounds) < 3, "{} of {sounds}", removed.sounds.len());
    // In whatever pieces it comes.
    let mut remover = Remover::new(&reference, &lock);
    let mut again = Vec::new();
    x.chunks(7001).for_each(|piece| remover.push(piece, &mut |left| again.extend_from_slice(left)));
    remover.finish(&mut |left| again.extend_from_slice(left));
    assert!(again == rest, "it depends on the pieces");
}

#[test]
fn a_guide_over_digital_silence_is_found() {
    for heard in [Heard::Click, Heard::Part] {
        let guide = guide(90.0, heard);
        let mut x = vec![0.0; 30_000];
        x.extend(guide.samples());
        let (lock, z) = find(&Reference::of(&guide), &Low::of(&x));
        let start = lock.map(|lock| lock.start.get());
        assert!(start.is_some_and(|start| (start - 30_000.0 / 44_100.0).abs() < 0.03), "{heard:?}: {start:?}, z {z}");
    }
}
