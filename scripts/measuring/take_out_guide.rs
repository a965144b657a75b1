//! Takes a guide out of recordings and says what it did, for `scripts/measuring/measure_leak.py`.
//!
//! Each line of standard input: `PART<tab>BPM<tab>FORM<tab>click|part|both|none<tab>TAKE<tab>LEFT`. `LEFT` is the wav file for what is left, or
//! `-`. `none` hears the take as it is. Each line of standard output is a JSON object.
#![allow(clippy::print_stdout, clippy::unwrap_used)] // a tool of the measuring script

use std::io::BufRead;
use std::path::Path;
use std::time::Instant;

use pailbeat::chain::{find_guide, hear_samples, hear_without};
use pailbeat::guide::{GuideConfig, Heard, Laps, Practice, render};
use pailbeat::leak::{Low, Reference, find, remove};
use pailbeat::units::{Bpm, EAR_RATE, Seconds};

fn samples(path: &Path) -> Vec<f32> {
    let mut source = pailbeat::audio::open(path).unwrap();
    source.read_to_end().unwrap()
}

fn write(path: &str, samples: &[f32]) {
    let spec = hound::WavSpec {
        channels: 1,
        sample_rate: 44_100,
        bits_per_sample: 32,
        sample_format: hound::SampleFormat::Float,
    };
    let mut file = hound::WavWriter::create(path, spec).unwrap();
    for v in samples {
        file.write_sample(*v).unwrap();
    }
    file.finalize().unwrap();
}

fn main() {
    for line in std::io::stdin().lock().lines() {
        let line = line.unwrap();
        let [part, bpm, form, heard, take, left] = line.split('\t').collect::<Vec<_>>()[..] else { continue };
        let x = samples(Path::new(take));
        let strikes = |onsets: &[pailbeat::onset::Onset]| onsets.iter().map(|o| o.at.get()).collect::<Vec<_>>();
        let Some(heard) = Heard::named(heard) else {
            println!("{}", serde_json::json!({ "strikes": strikes(&hear_samples(&x).heard.onsets) }));
            continue;
        };
        let part = pailbeat::part::parse(&std::fs::read_to_string(part).unwrap()).unwrap();
        let form = if form == "-" { None } else { Some(form) };
        let practice = Practice::of(&part, form, &Laps::default(), Bpm::new(bpm.parse().unwrap()).unwrap()).unwrap();
        let guide = render(&practice, &GuideConfig { heard, ..GuideConfig::default() }, EAR_RATE).unwrap();
        let reference = Reference::of(&guide);
        let began = Instant::now();
        let mut low = Low::new();
        low.push(&x);
        let low = low.finish();
        let (lock, z) = find(&reference, &low);
        let find_s = began.elapsed().as_secs_f64();
        let Some(lock) = lock else {
            println!("{}", serde_json::json!({ "z": z, "heard": false, "find_s": find_s }));
            continue;
        };
        let began = Instant::now();
        let (rest, removed) = remove(&reference, &x, &lock);
        let remove_s = began.elapsed().as_secs_f64();
        if left != "-" {
            write(left, &rest);
        }
        let take = hear_without(&x, &guide, &lock);
        let which = find_guide(std::slice::from_ref(&guide), &low).map(|f| f.0);
        let ends = [guide.start, guide.start + practice.timeline.end().to_seconds(practice.timeline.bpm)];
        println!(
            "{}",
            serde_json::json!({
                "z": z, "heard": true, "found_start_s": lock.start.get(), "found_ppm": lock.skew.0,
                "start_s": removed.clock.at(Seconds::ZERO).get(), "skew_ppm": removed.clock.lock.skew.0,
                "ends_s": ends.map(|t| removed.clock.at(t).get()), "which": which,
                "find_s": find_s, "remove_s": remove_s,
                "strikes": strikes(&take.heard.onsets),
                "hides": removed.sounds.iter().filter(|s| s.hides).map(|s| s.at.get()).collect::<Vec<_>>(),
                "sounds": removed.sounds.len(),
            })
        );
    }
}
