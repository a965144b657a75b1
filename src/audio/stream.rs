//! A demultiplexer and a decoder -> interleaved samples, piece by piece, each where it was played.
//!
//! Start and end padding are dropped; an end that comes too early is told from one that does not; where silence stands in
//! place of lost sound is kept.

use std::collections::VecDeque;
use std::ops::Range;

use symphonia::core::errors::Error;

use super::coded::Coded;
use super::guard::{GAVE_UP, Stop};
use super::wav::PcmStream;
use crate::units::Seconds;

/// Stretches of lost sound nearer than this are told as one: a strike between them cannot be trusted either.
const TOGETHER: Seconds = Seconds::from_millis(40.0);
/// More stretches than this are told as one long one.
const MAX_HOLES: usize = 4096;

/// A running decoder.
pub(super) struct Decoder {
    stream: Stream,
    channels: usize,
    rate: u32,
    /// Stretches of the decoded sound to keep, in samples per channel; the last may be open.
    pub(super) keep: VecDeque<(u64, u64)>,
    /// Samples per channel that have been decoded, kept or not.
    at: u64,
    fresh: Vec<f32>,
    pub(super) gaps: u32,
    pub(super) gap_frames: u64,
    /// Where silence stands in place of sound, in samples given out.
    pub(super) holes: Vec<Range<u64>>,
    pub(super) truncated: Option<String>,
    pub(super) promised: Option<u64>,
    given: u64,
}

pub(super) enum Stream {
    Pcm(PcmStream),
    Coded(Box<Coded>),
}

impl Decoder {
    pub(super) fn new(stream: Stream, channels: usize, rate: u32) -> Decoder {
        Decoder {
            stream,
            channels,
            rate,
            keep: VecDeque::from([(0, u64::MAX)]),
            at: 0,
            fresh: Vec::new(),
            gaps: 0,
            gap_frames: 0,
            holes: Vec::new(),
            truncated: None,
            promised: None,
            given: 0,
        }
    }

    /// The same; `cut`: its header promises more than the file holds.
    pub(super) fn ending_early(mut self, cut: bool) -> Decoder {
        if cut {
            self.truncated = Some("the file ends in the middle of its sound".into());
        }
        self
    }

    /// Appends the next interleaved samples, some or none; `false` at the end.
    ///
    /// # Errors
    /// If the disk fails, or if nothing can be decoded at all.
    pub(super) fn next(&mut self, out: &mut Vec<f32>) -> Result<bool, Stop> {
        if self.keep.is_empty() {
            return Ok(false);
        }
        let more = match &mut self.stream {
            Stream::Pcm(pcm) => pcm.next(&mut self.fresh).map_err(Stop::Io)?,
            Stream::Coded(coded) => match coded.next(&mut self.fresh) {
                Ok(more) => more,
                Err(Stop::Changed) => {
                    self.truncated = Some("the number of channels or the rate changes in the middle".into());
                    false
                }
                Err(Stop::Damaged(cause)) if coded.decoded_any => {
                    if !coded.open_ended || matches!(cause, Error::DecodeError(GAVE_UP)) {
                        self.truncated = Some(format!("the rest cannot be read: {cause}"));
                    }
                    false
                }
                Err(stop) => return Err(stop),
            },
        };
        if !more {
            // A stated length may be a little off; a missing piece of any coding in use is longer than this.
            let missing = self.promised.is_some_and(|promised| promised > self.given + 4096)
                || matches!(&self.stream, Stream::Coded(coded) if coded.cut());
            if missing && self.truncated.is_none() {
                self.truncated = Some("the file ends before its sound does".into());
            }
            return Ok(false);
        }
        self.take(out);
        Ok(true)
    }

    /// Moves the part of the fresh samples that is to be kept.
    fn take(&mut self, out: &mut Vec<f32>) {
        let fresh = (self.fresh.len() / self.channels) as u64;
        let end = self.at + fresh;
        let lost = match &mut self.stream {
            Stream::Pcm(_) => Vec::new(),
            Stream::Coded(coded) => {
                (self.gaps, self.gap_frames) = (coded.gaps, coded.gap_frames);
                std::mem::take(&mut coded.lost)
            }
        };
        while let Some(&(from, to)) = self.keep.front() {
            let (a, b) = (from.max(self.at), to.min(end));
            if a < b {
                for hole in &lost {
                    let (from, to) = (hole.start.max(a), hole.end.min(b));
                    if from < to {
                        self.hole(self.given + from - a..self.given + to - a);
                    }
                }
                let [a, b] = [a, b].map(|k| usize::try_from(k - self.at).unwrap_or(0) * self.channels);
                out.extend_from_slice(self.fresh.get(a..b).unwrap_or_default());
                self.given += ((b - a) / self.channels) as u64;
            }
            if to > end {
                break;
            }
            self.keep.pop_front();
        }
        self.at = end;
        self.fresh.clear();
    }

    /// Remembers a stretch of lost sound.
    fn hole(&mut self, lost: Range<u64>) {
        let together = (TOGETHER.get() * f64::from(self.rate)) as u64;
        let many = self.holes.len() >= MAX_HOLES;
        match self.holes.last_mut() {
            Some(last) if many || lost.start <= last.end + together => last.end = last.end.max(lost.end),
            _ => self.holes.push(lost),
        }
    }
}
