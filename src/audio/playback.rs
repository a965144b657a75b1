//! Samples -> a loudspeaker, and when they were heard.

use std::sync::atomic::{AtomicBool, AtomicU32, AtomicU64, Ordering};
use std::sync::{Arc, Mutex, OnceLock};
use std::time::Instant;

use cpal::traits::{DeviceTrait, StreamTrait};
use cpal::{ErrorKind, FromSample, SampleFormat, SizedSample, StreamConfig};
use rtrb::{Producer, RingBuffer};

use super::device::{self, DeviceError, Way};
use crate::units::{SampleRate, Samples};

/// What is added while it plays fits into so many seconds.
const ADDED_S: usize = 4;

/// How far it has come.
#[derive(Debug, Default)]
struct Progress {
    sound: OnceLock<Vec<f32>>,
    played: AtomicU64,
    /// When the first sample is heard, as well as the device tells.
    began: OnceLock<Instant>,
    xruns: AtomicU32,
    broken: AtomicBool,
}

/// A loudspeaker that is open. It plays silence until it is given something.
pub struct Loudspeaker {
    _stream: cpal::Stream,
    progress: Arc<Progress>,
    added: Mutex<Producer<f32>>,
    /// Its name.
    pub name: String,
    /// Samples a second.
    pub rate: SampleRate,
}

impl Loudspeaker {
    /// Opens the loudspeaker of that name, or the one the system prefers, and wakes it with silence.
    ///
    /// # Errors
    /// If there is none or it cannot be used.
    pub fn open(name: Option<&str>) -> Result<Loudspeaker, DeviceError> {
        let device = device::choose(Way::Out, name)?;
        let mut last = None;
        for (config, format) in device::ways_to_open(&device, Way::Out) {
            let opened = match format {
                SampleFormat::F32 => open_as::<f32>(&device, config),
                SampleFormat::I16 => open_as::<i16>(&device, config),
                SampleFormat::I32 => open_as::<i32>(&device, config),
                SampleFormat::U16 => open_as::<u16>(&device, config),
                SampleFormat::U8 => open_as::<u8>(&device, config),
                _ => continue,
            };
            match opened {
                Ok(loudspeaker) => return Ok(loudspeaker),
                Err(error) => {
                    let absent = error.kind() == ErrorKind::DeviceNotAvailable;
                    last = Some(error);
                    // Where there is no device another format will not bring one.
                    if absent {
                        break;
                    }
                }
            }
        }
        let error = last.unwrap_or_else(|| cpal::Error::new(ErrorKind::UnsupportedConfig));
        Err(device::refused(Way::Out, &device, error))
    }

    /// Plays these samples once, on every channel, then silence. A second call changes nothing.
    pub fn play(&self, samples: Vec<f32>) {
        let _ = self.progress.sound.set(samples);
    }

    /// Adds some samples to what is played, from now on or behind those added before. What finds no room is left out.
    pub fn add(&self, samples: &[f32]) {
        if let Ok(mut added) = self.added.lock() {
            let room = samples.len().min(added.slots());
            if let Ok(chunk) = added.write_chunk_uninit(room) {
                chunk.fill_from_iter(samples.iter().copied());
            }
        }
    }

    /// Samples handed to the device so far.
    pub fn played(&self) -> Samples {
        Samples(self.progress.played.load(Ordering::Relaxed))
    }

    /// When the first sample is heard, once it is known.
    pub fn began(&self) -> Option<Instant> {
        self.progress.began.get().copied()
    }

    /// How often the device ran out of samples.
    pub fn xruns(&self) -> u32 {
        self.progress.xruns.load(Ordering::Relaxed)
    }

    /// Whether it has stopped working.
    pub fn broken(&self) -> bool {
        self.progress.broken.load(Ordering::Relaxed)
    }
}

fn open_as<T>(device: &cpal::Device, config: StreamConfig) -> Result<Loudspeaker, cpal::Error>
where
    T: SizedSample + FromSample<f32> + Send + 'static,
{
    let rate = SampleRate::new(config.sample_rate).ok_or_else(|| cpal::Error::new(ErrorKind::UnsupportedConfig))?;
    let channels = usize::from(config.channels.max(1));
    let progress = Arc::new(Progress::default());
    let (plays, failed) = (Arc::clone(&progress), Arc::clone(&progress));
    let (added, mut extra) = RingBuffer::<f32>::new(ADDED_S * config.sample_rate as usize);
    let stream = device.build_output_stream(
        config,
        move |data: &mut [T], info: &cpal::OutputCallbackInfo| {
            let at = usize::try_from(plays.played.load(Ordering::Relaxed)).unwrap_or(usize::MAX);
            let rest = plays.sound.get().and_then(|s| s.get(at..)).unwrap_or_default();
            if at == 0 && !rest.is_empty() {
                let stamp = info.timestamp();
                let ahead = stamp.playback.checked_duration_since(stamp.callback).unwrap_or_default();
                let _ = plays.began.set(Instant::now() + ahead);
            }
            let mut n = 0;
            for (k, frame) in data.chunks_mut(channels).enumerate() {
                let v = rest.get(k).copied().unwrap_or(0.0) + extra.pop().unwrap_or(0.0);
                n += u64::from(k < rest.len());
                frame.fill(T::from_sample(v));
            }
            plays.played.fetch_add(n, Ordering::Relaxed);
        },
        move |error| match error.kind() {
            ErrorKind::Xrun => {
                failed.xruns.fetch_add(1, Ordering::Relaxed);
            }
            ErrorKind::DeviceNotAvailable | ErrorKind::HostUnavailable | ErrorKind::StreamInvalidated => {
                failed.broken.store(true, Ordering::Relaxed);
            }
            ErrorKind::RealtimeDenied | ErrorKind::DeviceChanged => {}
            // Others pass: the guide goes on, and whether it came to its end is seen from what was played.
            _ => {
                failed.xruns.fetch_add(1, Ordering::Relaxed);
            }
        },
        None,
    )?;
    stream.play()?;
    Ok(Loudspeaker { _stream: stream, progress, added: Mutex::new(added), name: device::name_of(device), rate })
}
