//! How long a minute of sound takes from a file's bytes to the ear's samples: `cargo bench --bench audio`.

use std::hint::black_box;
use std::io::Cursor;
use std::path::Path;

use criterion::{Criterion, criterion_group, criterion_main};

/// A minute of noise bursts as a 16-bit wav file.
fn minute(rate: u32, channels: u16) -> Vec<u8> {
    let mut file = Cursor::new(Vec::new());
    let spec =
        hound::WavSpec { channels, sample_rate: rate, bits_per_sample: 16, sample_format: hound::SampleFormat::Int };
    let mut writer = hound::WavWriter::new(&mut file, spec).expect("writing to memory");
    let mut state = 1_u32;
    for k in 0..rate * 60 {
        let decay = (-f64::from(k % (rate / 4)) / (0.02 * f64::from(rate))).exp() + 0.005;
        for c in 0..channels {
            state = state.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
            let level = 8_000.0 / f64::from(c + 1);
            writer
                .write_sample((f64::from(state) / f64::from(u32::MAX) * level * decay) as i16)
                .expect("writing to memory");
        }
    }
    writer.finalize().expect("writing to memory");
    file.into_inner()
}

fn decoding(criterion: &mut Criterion) {
    for (rate, channels) in [(44_100, 1), (44_100, 2), (48_000, 1), (48_000, 2), (96_000, 1)] {
        let file = minute(rate, channels);
        criterion.bench_function(&format!("a minute of wav, {rate} Hz, {channels} channels"), |bencher| {
            bencher.iter(|| {
                let mut take =
                    pailbeat::audio::open_source(Cursor::new(file.clone()), Path::new("take.wav")).expect("a wav");
                let mut block = Vec::new();
                while take.next_block(&mut block).expect("reads") {
                    black_box(&block);
                }
            });
        });
    }
}

criterion_group! { name = benches; config = Criterion::default().sample_size(20); targets = decoding }
criterion_main!(benches);
