//! Samples -> the bytes of a wav file: one channel, 16 bits, which every player reads.

use std::io::Cursor;

use crate::units::SampleRate;

/// The file's bytes. What lies beyond full scale is cut off there.
///
/// # Errors
/// More samples than a wav file can hold (4 GB).
pub fn wav(samples: &[f32], rate: SampleRate) -> Result<Vec<u8>, hound::Error> {
    let spec = hound::WavSpec {
        channels: 1,
        sample_rate: rate.get(),
        bits_per_sample: 16,
        sample_format: hound::SampleFormat::Int,
    };
    let mut bytes = Cursor::new(Vec::with_capacity(samples.len().saturating_mul(2).saturating_add(64)));
    let mut file = hound::WavWriter::new(&mut bytes, spec)?;
    for v in samples {
        file.write_sample((v.clamp(-1.0, 1.0) * f32::from(i16::MAX)).round() as i16)?;
    }
    file.finalize()?;
    Ok(bytes.into_inner())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_is_written_is_read_back_to_half_a_step() {
        let rate = SampleRate::new(44_100).unwrap();
        let samples: Vec<f32> = (0..3000).map(|k| (k as f32 * 0.1).sin() * 1.2).collect();
        let bytes = wav(&samples, rate).unwrap();
        let mut source = crate::audio::open_source(Cursor::new(bytes), std::path::Path::new("guide.wav")).unwrap();
        let (mut read, mut block) = (Vec::new(), Vec::new());
        while source.next_block(&mut block).unwrap() {
            read.extend_from_slice(&block);
        }
        assert_eq!(read.len(), samples.len());
        for (a, b) in read.iter().zip(&samples) {
            assert!((a - b.clamp(-1.0, 1.0)).abs() < 1.1 / 32_768.0, "{a} {b}");
        }
    }
}
