//! A microphone -> a wav file on the disk, whole at every moment.
//!
//! The device's callback puts samples into a ring and never waits; a thread of its own takes them out every
//! [`EVERY`], appends them to the file and has the disk keep them every [`SYNC`]. Where the ring was full, silence of the
//! right length stands in the file, so that later strikes keep their time. A device that vanishes, or a disk that is full,
//! ends the recording with all that came before it.

use std::path::Path;
use std::sync::atomic::{AtomicBool, AtomicU32, AtomicU64, Ordering};
use std::sync::{Arc, Mutex};
use std::thread::JoinHandle;
use std::time::{Duration, Instant};

use cpal::traits::{DeviceTrait, StreamTrait};
use cpal::{ErrorKind, FromSample, SampleFormat, SizedSample, StreamConfig};
use rtrb::{Consumer, Producer, RingBuffer};

use super::device::{self, DeviceError, Way};
use super::growing::GrowingWav;
use super::slips::{Slip, SlipWatch};
use crate::units::{SampleRate, Samples, Seconds};

/// Samples go to the file so often.
const EVERY: Duration = Duration::from_millis(50);
/// The disk is asked to keep them so often; with [`EVERY`] and a callback's length well under half a second.
const SYNC: Duration = Duration::from_millis(250);
/// Sound the ring holds: a disk that is busy for so long loses nothing.
const RING_S: usize = 20;
/// Blocks the ring holds: callbacks of a millisecond for [`RING_S`].
const RING_BLOCKS: usize = 20_000;
/// A device that has begun and then gives nothing for so long is gone. Most say so themselves at once; on a machine that is
/// overloaded sound servers were seen to pause for more than a second and go on.
const GONE: Duration = Duration::from_millis(2500);
/// A device may take so long to begin; sound servers wake their hardware in two seconds.
const BEGIN: Duration = Duration::from_secs(6);
/// Sound given up at the end of a full disk, so that there is room for the take card: 16 kB at 48 kHz.
const ROOM: Samples = Samples(5_500);

/// Why a recording ended.
#[derive(Clone, Debug, PartialEq, Eq)]
#[non_exhaustive]
pub enum Ended {
    /// It was asked to, or had its full length.
    Asked,
    /// The microphone is gone; what the system said.
    DeviceGone(String),
    /// The disk took no more; what the system said.
    Disk(String),
    /// The microphone never gave a sample.
    Nothing,
}

/// What came of a recording.
#[derive(Clone, Debug, PartialEq)]
pub struct Recorded {
    /// Samples of one channel in the file.
    pub length: Samples,
    /// Where the clock says that samples are missing or came twice.
    pub slips: Vec<Slip>,
    /// Samples this program itself could not take in time; silence stands for them.
    pub dropped: Samples,
    /// How often the device said that it lost something.
    pub xruns: u32,
    /// Why it ended.
    pub ended: Ended,
    /// When the first sample was captured, as well as the device tells.
    pub began: Option<Instant>,
}

/// What goes on while it records, for those who watch.
#[derive(Debug, Default)]
pub struct Watch {
    frames: AtomicU64,
    peak: AtomicU32,
    stop: AtomicBool,
    ended: AtomicBool,
    xruns: AtomicU32,
    began: Mutex<Option<Instant>>,
    /// What the device said when it stopped working.
    trouble: Mutex<Option<String>>,
}

impl Watch {
    /// Samples of one channel in the file so far.
    pub fn length(&self) -> Samples {
        Samples(self.frames.load(Ordering::Relaxed))
    }

    /// The largest sample since the last question; full scale is 1.
    pub fn peak(&self) -> f32 {
        f32::from_bits(self.peak.swap(0, Ordering::Relaxed))
    }

    /// When the first sample was captured, as well as the device has told so far.
    pub fn began(&self) -> Option<Instant> {
        self.began.lock().ok().and_then(|b| *b)
    }

    /// Ends the recording.
    pub fn stop(&self) {
        self.stop.store(true, Ordering::Relaxed);
    }

    /// Whether it has ended, for whatever reason.
    pub fn ended(&self) -> bool {
        self.ended.load(Ordering::Relaxed)
    }

    fn failed(&self, error: &cpal::Error) {
        match error.kind() {
            ErrorKind::Xrun => {
                self.xruns.fetch_add(1, Ordering::Relaxed);
            }
            ErrorKind::RealtimeDenied | ErrorKind::DeviceChanged => {}
            ErrorKind::BackendError | ErrorKind::Other => {
                // It may pass; a device that gives nothing any more is noticed by that.
                self.xruns.fetch_add(1, Ordering::Relaxed);
            }
            _ => {
                if let Ok(mut trouble) = self.trouble.try_lock() {
                    trouble.get_or_insert_with(|| error.to_string());
                }
            }
        }
    }
}

/// One callback.
struct Block {
    /// Samples of all channels in the ring, and those that found no room.
    length: usize,
    lost: usize,
    captured: Instant,
}

/// A microphone that is open.
pub struct Microphone {
    stream: cpal::Stream,
    samples: Consumer<f32>,
    blocks: Consumer<Block>,
    watch: Arc<Watch>,
    /// Its name.
    pub name: String,
    /// Samples a second.
    pub rate: SampleRate,
    /// How many channels it gives.
    pub channels: u16,
}

/// A recording under way.
pub struct Recording {
    stream: cpal::Stream,
    thread: JoinHandle<(Recorded, Option<GrowingWav>)>,
    watch: Arc<Watch>,
}

impl Microphone {
    /// Opens the microphone of that name, or the one the system prefers.
    ///
    /// # Errors
    /// If there is none or it cannot be used.
    pub fn open(name: Option<&str>) -> Result<Microphone, DeviceError> {
        let device = device::choose(Way::In, name)?;
        let mut last = None;
        for (config, format) in device::ways_to_open(&device, Way::In) {
            let opened = match format {
                SampleFormat::F32 => open_as::<f32>(&device, config),
                SampleFormat::I16 => open_as::<i16>(&device, config),
                SampleFormat::I32 => open_as::<i32>(&device, config),
                SampleFormat::U16 => open_as::<u16>(&device, config),
                SampleFormat::U8 => open_as::<u8>(&device, config),
                _ => continue,
            };
            match opened {
                Ok(microphone) => return Ok(microphone),
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
        Err(device::refused(Way::In, &device, error))
    }

    /// Starts to record into a new file, for at most `length`.
    ///
    /// # Errors
    /// If the file cannot be made (inner), or the microphone does not start.
    pub fn record(self, path: &Path, length: Seconds) -> std::io::Result<Result<Recording, DeviceError>> {
        let file = GrowingWav::create(path, self.rate, self.channels)?;
        if let Err(source) = self.stream.play() {
            // The file holds nothing; failing to remove it changes nothing.
            let _ = std::fs::remove_file(path);
            return Ok(Err(DeviceError::Refused { what: "microphone", name: self.name, source }));
        }
        let watch = Arc::clone(&self.watch);
        let most = (length.get().max(0.0) * f64::from(self.rate.get())) as u64;
        let writer = Writer {
            file: Some(file),
            rate: self.rate,
            channels: usize::from(self.channels),
            samples: self.samples,
            blocks: self.blocks,
            watch: Arc::clone(&watch),
            most,
        };
        let thread = std::thread::Builder::new().name("recorder".into()).spawn(|| writer.run())?;
        Ok(Ok(Recording { stream: self.stream, thread, watch }))
    }
}

impl Recording {
    /// What goes on.
    pub fn watch(&self) -> &Watch {
        &self.watch
    }

    /// Ends it, if it has not ended by itself, and gives what came of it.
    pub fn finish(self) -> Recorded {
        self.watch.stop();
        let recorded = self.thread.join().map(|(recorded, _)| recorded);
        // Closing a device that is gone may take a while; the sound is safe by now.
        drop(self.stream);
        recorded.unwrap_or(Recorded {
            length: self.watch.length(),
            slips: Vec::new(),
            dropped: Samples(0),
            xruns: 0,
            ended: Ended::Disk("the thread that writes has failed".into()),
            began: None,
        })
    }
}

fn open_as<T>(device: &cpal::Device, config: StreamConfig) -> Result<Microphone, cpal::Error>
where
    T: SizedSample + Send + 'static,
    f32: FromSample<T>,
{
    let rate = SampleRate::new(config.sample_rate).ok_or_else(|| cpal::Error::new(ErrorKind::UnsupportedConfig))?;
    let channels = config.channels.max(1);
    let (mut into, samples) = RingBuffer::new(RING_S * config.sample_rate as usize * usize::from(channels));
    let (mut marks, blocks) = RingBuffer::new(RING_BLOCKS);
    let watch = Arc::new(Watch::default());
    let (heard, failed) = (Arc::clone(&watch), Arc::clone(&watch));
    let mut carried = 0;
    let stream = device.build_input_stream(
        config,
        move |data: &[T], info: &cpal::InputCallbackInfo| {
            let stamp = info.timestamp();
            let delay = stamp.callback.checked_duration_since(stamp.capture).unwrap_or_default();
            let now = Instant::now();
            take_in(data, now.checked_sub(delay).unwrap_or(now), &mut into, &mut marks, &mut carried, &heard);
        },
        move |error| failed.failed(&error),
        None,
    )?;
    Ok(Microphone { stream, samples, blocks, watch, name: device::name_of(device), rate, channels })
}

/// The callback's work: it neither waits nor asks the system for anything.
fn take_in<T>(
    data: &[T],
    captured: Instant,
    into: &mut Producer<f32>,
    marks: &mut Producer<Block>,
    carried: &mut usize,
    watch: &Watch,
) where
    T: SizedSample,
    f32: FromSample<T>,
{
    let mut peak = 0.0_f32;
    let value = |v: &T| -> f32 { cpal::Sample::from_sample(*v) };
    let room = if marks.slots() > 0 { data.len().min(into.slots()) } else { 0 };
    for v in data.iter().map(value) {
        peak = peak.max(v.abs());
    }
    if let Ok(chunk) = into.write_chunk_uninit(room) {
        chunk.fill_from_iter(data.iter().map(value));
    }
    let lost = data.len() - room;
    match marks.push(Block { length: room, lost: lost + *carried, captured }) {
        Ok(()) => *carried = 0,
        Err(_) => *carried += lost,
    }
    // Bits of numbers that are not negative are in the numbers' order.
    watch.peak.fetch_max(peak.to_bits(), Ordering::Relaxed);
}

/// When the first sample was captured, from the first block's time and what the others say of it.
fn began(first: Option<Instant>, slips: &SlipWatch) -> Option<Instant> {
    let away = slips.origin().unwrap_or(Seconds::ZERO).get();
    let by = Duration::try_from_secs_f64(away.abs()).ok()?;
    if away < 0.0 { first?.checked_sub(by) } else { first?.checked_add(by) }
}

/// The thread that writes.
struct Writer {
    file: Option<GrowingWav>,
    rate: SampleRate,
    channels: usize,
    samples: Consumer<f32>,
    blocks: Consumer<Block>,
    watch: Arc<Watch>,
    most: u64,
}

impl Writer {
    fn run(mut self) -> (Recorded, Option<GrowingWav>) {
        let mut slips = SlipWatch::new(self.rate);
        let mut recorded = Recorded {
            length: Samples(0),
            slips: Vec::new(),
            dropped: Samples(0),
            xruns: 0,
            ended: Ended::Asked,
            began: None,
        };
        let (mut last_block, mut last_sync) = (Instant::now(), Instant::now());
        let mut first: Option<Instant> = None;
        let mut piece = Vec::new();
        loop {
            let stopping = self.watch.stop.load(Ordering::Relaxed);
            piece.clear();
            while let Ok(block) = self.blocks.pop() {
                last_block = Instant::now();
                let origin = *first.get_or_insert(block.captured);
                let frames = Samples(((block.length + block.lost) / self.channels) as u64);
                // The first block may tell too late a time, so that others come before it.
                let since = match block.captured.checked_duration_since(origin) {
                    Some(after) => after.as_secs_f64(),
                    None => -origin.saturating_duration_since(block.captured).as_secs_f64(),
                };
                slips.block(Seconds::of(since), frames);
                // Silence for what found no room stands before the block that could tell of it.
                piece.resize(piece.len() + block.lost, 0.0);
                recorded.dropped.0 += (block.lost / self.channels) as u64;
                if let Ok(chunk) = self.samples.read_chunk(block.length) {
                    let (a, b) = chunk.as_slices();
                    piece.extend_from_slice(a);
                    piece.extend_from_slice(b);
                    chunk.commit_all();
                }
            }
            if let Ok(mut told) = self.watch.began.lock() {
                *told = began(first, &slips);
            }
            let left = self.most.saturating_sub(self.watch.length().0).saturating_mul(self.channels as u64);
            piece.truncate(usize::try_from(left).unwrap_or(usize::MAX));
            if let Some(Err(error)) = self.file.as_mut().filter(|_| !piece.is_empty()).map(|f| f.append(&piece)) {
                if let Some(file) = &mut self.file {
                    // Where even that fails the card is lost, not the sound.
                    let _ = file.give_up(ROOM);
                }
                recorded.ended = Ended::Disk(error.to_string());
                break;
            }
            let length = self.file.as_ref().map_or(Samples(0), GrowingWav::length);
            self.watch.frames.store(length.0, Ordering::Relaxed);
            if last_sync.elapsed() >= SYNC {
                if let Some(Err(error)) = self.file.as_mut().map(GrowingWav::sync) {
                    recorded.ended = Ended::Disk(error.to_string());
                    break;
                }
                last_sync = Instant::now();
            }
            if stopping || length.0 >= self.most {
                break;
            }
            if let Some(trouble) = self.watch.trouble.lock().ok().and_then(|t| t.clone()) {
                recorded.ended = Ended::DeviceGone(trouble);
                break;
            }
            if last_block.elapsed() > if first.is_some() { GONE } else { BEGIN } {
                recorded.ended = if first.is_some() {
                    Ended::DeviceGone("no sound has come from it for more than two seconds".into())
                } else {
                    Ended::Nothing
                };
                break;
            }
            std::thread::sleep(EVERY);
        }
        if let Some(file) = &mut self.file {
            recorded.length = file.length();
            // What is not on the disk by now is in the system's hands.
            let _ = file.sync();
        }
        recorded.slips = slips.found().to_vec();
        recorded.began = began(first, &slips);
        recorded.xruns = self.watch.xruns.load(Ordering::Relaxed);
        self.watch.frames.store(recorded.length.0, Ordering::Relaxed);
        self.watch.ended.store(true, Ordering::Relaxed);
        (recorded, self.file)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_finds_no_room_is_silence_of_its_length() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("take.wav");
        let rate = SampleRate::new(48_000).unwrap();
        let (mut into, samples) = RingBuffer::new(100);
        let (mut marks, blocks) = RingBuffer::new(3);
        let watch = Arc::new(Watch::default());
        let mut carried = 0;
        // 60 fit, of the next 60 only 40, then nothing, then there is no room to tell either.
        for _ in 0..4 {
            take_in(&[0.5_f32; 60], Instant::now(), &mut into, &mut marks, &mut carried, &watch);
        }
        assert_eq!(carried, 60);
        let writer = Writer {
            file: Some(GrowingWav::create(&path, rate, 1).unwrap()),
            rate,
            channels: 1,
            samples,
            blocks,
            watch: Arc::clone(&watch),
            most: u64::MAX,
        };
        watch.stop();
        let (recorded, _) = writer.run();
        assert_eq!((recorded.length, recorded.dropped, recorded.ended), (Samples(180), Samples(80), Ended::Asked));
        let read: Vec<i32> = hound::WavReader::open(&path).unwrap().samples().map(Result::unwrap).collect();
        assert_eq!(read.iter().filter(|v| **v != 0).count(), 100);
        assert!((watch.peak() - 0.5).abs() < 1e-6 && watch.peak() <= 0.0);
    }
}
