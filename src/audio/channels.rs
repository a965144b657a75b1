//! Several channels -> the one that is heard, in a stream.
//!
//! Two microphones a hand apart hear a strike up to half a millisecond apart, so their mean smears attacks and cancels
//! high frequencies: one channel is heard, unless the channels are near-identical (then their mean, which is quieter
//! between strikes). Which one is decided by looking a few seconds ahead, for what stands out of each channel's own
//! background rather than for loudness alone, so that a dead microphone's hiss does not win; and it is decided anew as
//! the take goes on, so that a channel that wakes up late or goes silent half way is dealt with before it matters.
//! Everything depends on the samples alone: the same take gives the same choice. Pure.

use std::collections::VecDeque;

/// Length of a piece after which the choice is looked at again, as part of a second.
const PIECES_A_SECOND: usize = 2;
/// How many pieces are looked at ahead: four seconds hold a strike of any bar that is played at all.
const AHEAD: usize = 8;
/// Never hold more samples than this (all channels together), 8 MB, even if that means looking ahead less far.
const MAX_HELD: usize = 2 << 20;
/// Blocks in a piece whose energies tell strikes from background: 10 ms each, about the length of a stick's attack.
const BLOCKS: usize = 50;
/// A block stands out if it has this many times the energy of its channel's median block (6 dB).
const STANDS_OUT: f32 = 4.0;
/// A channel is the same as another if their difference has less than this part of its energy (-20 dB): even a delay
/// of a single sample at 5 kHz leaves -3 dB, so the mean of such channels loses at most half a decibel anywhere.
const SAME: f32 = 0.01;
/// Channels that were the same stay together until their difference exceeds this part (-14 dB), so that the choice does
/// not flutter about [`SAME`].
const STILL_SAME: f32 = 0.04;
/// Another channel takes over only if it stands out with so many times the energy (12 dB). Two microphones of one
/// device, 15 cm apart, differ by 3.5 dB for a bucket 30 cm away (inverse distance); a dead one by far more.
const TAKES_OVER: f32 = 16.0;
/// Length of the cross-fade when another channel takes over, in parts of a second.
const FADES_A_SECOND: usize = 100;

/// What is heard of a recording with several channels.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Heard {
    /// There is only one channel.
    Only,
    /// One of several, counted from 1: what stands out of its background is loudest.
    One {
        /// Which, counted from 1.
        channel: u16,
        /// Of how many.
        of: u16,
    },
    /// The mean of channels that are near-identical.
    Mean {
        /// How many were averaged.
        alike: u16,
        /// Of how many.
        of: u16,
    },
}

impl std::fmt::Display for Heard {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        match self {
            Heard::Only => write!(f, "the only channel"),
            Heard::One { channel: 1, of: 2 } => write!(f, "the left channel, in which the strikes are louder"),
            Heard::One { channel: 2, of: 2 } => write!(f, "the right channel, in which the strikes are louder"),
            Heard::One { channel, of } => write!(f, "channel {channel} of {of}, in which the strikes are loudest"),
            Heard::Mean { alike, of } if alike == of => write!(f, "the mean of {of} channels, which are alike"),
            Heard::Mean { alike, of } => write!(f, "the mean of {alike} of {of} channels, which are alike"),
        }
    }
}

/// Interleaved samples of several channels in, one channel out, a few seconds later.
pub(super) struct Chooser {
    channels: usize,
    piece: usize,
    ahead: usize,
    fade: usize,
    filling: Piece,
    held: VecDeque<Piece>,
    /// Which channels are averaged; all false until there is anything to hear.
    chosen: Vec<bool>,
    pub(super) changes: u32,
}

/// Half a second of all channels.
#[derive(Clone, Default)]
struct Piece {
    planes: Vec<Vec<f32>>,
    /// For each channel, energy of the first difference in each block. The difference takes away what is slow (hum,
    /// wind, a direct current) and leaves attacks.
    blocks: Vec<Vec<f32>>,
    /// For each pair of channels `a < b`, energy of the difference of their first differences, at `a * channels + b`.
    apart: Vec<f32>,
}

impl Chooser {
    /// For so many channels at so many samples a second.
    pub(super) fn new(channels: usize, rate: usize) -> Chooser {
        let piece = (rate / PIECES_A_SECOND).clamp(BLOCKS, (MAX_HELD / channels.max(1)).max(BLOCKS));
        let ahead = AHEAD.min(MAX_HELD / (piece * channels.max(1)));
        Chooser {
            channels,
            piece,
            ahead,
            fade: (rate / FADES_A_SECOND).clamp(1, piece),
            filling: Piece::empty(channels),
            held: VecDeque::new(),
            chosen: vec![false; channels],
            changes: 0,
        }
    }

    /// Takes interleaved samples and appends what can be said so far.
    pub(super) fn push(&mut self, interleaved: &[f32], out: &mut Vec<f32>) {
        if self.channels == 1 {
            out.extend_from_slice(interleaved);
            return;
        }
        let mut rest = interleaved;
        while !rest.is_empty() {
            let have = self.filling.planes.first().map_or(0, Vec::len);
            let (now, later) = rest.split_at(((self.piece - have) * self.channels).min(rest.len()));
            match self.filling.planes.as_mut_slice() {
                [left, right] => {
                    let (frames, _) = now.as_chunks::<2>();
                    left.extend(frames.iter().map(|frame| frame[0]));
                    right.extend(frames.iter().map(|frame| frame[1]));
                }
                planes => {
                    for (c, plane) in planes.iter_mut().enumerate() {
                        plane.extend(now.iter().skip(c).step_by(self.channels));
                    }
                }
            }
            rest = later;
            if have + now.len() / self.channels >= self.piece {
                self.hold();
                if self.held.len() > self.ahead {
                    self.emit(out);
                }
            }
        }
    }

    /// Appends the rest.
    pub(super) fn finish(&mut self, out: &mut Vec<f32>) {
        if self.filling.planes.first().is_some_and(|plane| !plane.is_empty()) && self.channels > 1 {
            self.hold();
        }
        while !self.held.is_empty() {
            self.emit(out);
        }
    }

    /// What is heard now.
    pub(super) fn heard(&self) -> Heard {
        let of = u16::try_from(self.channels).unwrap_or(u16::MAX);
        let alike = self.chosen.iter().filter(|chosen| **chosen).count();
        match (self.channels, alike) {
            (1, _) => Heard::Only,
            (_, 0 | 1) => {
                let at = self.chosen.iter().position(|chosen| *chosen).unwrap_or(0);
                Heard::One { channel: u16::try_from(at + 1).unwrap_or(u16::MAX), of }
            }
            (_, alike) => Heard::Mean { alike: u16::try_from(alike).unwrap_or(u16::MAX), of },
        }
    }

    fn hold(&mut self) {
        let mut piece = std::mem::replace(&mut self.filling, Piece::empty(self.channels));
        piece.measure(self.piece.div_ceil(BLOCKS));
        self.held.push_back(piece);
    }

    fn emit(&mut self, out: &mut Vec<f32>) {
        let before = self.chosen.clone();
        self.choose();
        let Some(piece) = self.held.pop_front() else { return };
        let start = out.len();
        piece.mean(&self.chosen, out);
        if before != self.chosen && before.contains(&true) {
            self.changes += 1;
            let mut old = Vec::new();
            piece.mean(&before, &mut old);
            for (k, (new, old)) in out.iter_mut().skip(start).zip(old).take(self.fade).enumerate() {
                let share = (k + 1) as f32 / (self.fade + 1) as f32;
                *new = share * *new + (1.0 - share) * old;
            }
        }
    }

    /// Looks at everything held and settles which channels are heard from its first piece on.
    fn choose(&mut self) {
        let strengths: Vec<f32> = (0..self.channels).map(|c| self.strength(c)).collect();
        let loudest = (0..self.channels).rev().max_by(|a, b| strengths[*a].total_cmp(&strengths[*b])).unwrap_or(0);
        let best = strengths.get(loudest).copied().unwrap_or(0.0);
        if best <= 0.0 {
            return;
        }
        let first = self.chosen.iter().position(|chosen| *chosen);
        let now = match first {
            Some(first) if strengths[first] * TAKES_OVER > best => first,
            _ => loudest,
        };
        let stays = first == Some(now);
        let alike = |c: usize| {
            let limit = if stays && self.chosen[c] { STILL_SAME } else { SAME };
            c == now || self.apart(now, c) < limit * self.energy(now)
        };
        let mut chosen: Vec<bool> = (0..self.channels).map(alike).collect();
        if stays && !self.chosen.iter().zip(&chosen).any(|(old, new)| *old && !*new) {
            // Nothing is lost by what was chosen: channels that have become alike since do not join.
            chosen.clone_from(&self.chosen);
        }
        self.chosen = chosen;
    }

    fn energy(&self, c: usize) -> f32 {
        self.held.iter().flat_map(|piece| piece.blocks.get(c)).flatten().sum()
    }

    fn apart(&self, a: usize, b: usize) -> f32 {
        let at = a.min(b) * self.channels + a.max(b);
        self.held.iter().filter_map(|piece| piece.apart.get(at)).sum()
    }

    /// Energy of the blocks that stand out of the channel's own background; where none does, a trace of all of it, so
    /// that some channel is heard even of a take of mere noise.
    fn strength(&self, c: usize) -> f32 {
        let mut blocks: Vec<f32> = self.held.iter().flat_map(|piece| piece.blocks.get(c)).flatten().copied().collect();
        blocks.sort_by(f32::total_cmp);
        let median = blocks.get(blocks.len() / 2).copied().unwrap_or(0.0);
        let all: f32 = blocks.iter().sum();
        let standing_out: f32 = blocks.iter().map(|e| (e - STANDS_OUT * median).max(0.0)).sum();
        standing_out + 1e-6 * all
    }
}

impl Piece {
    fn empty(channels: usize) -> Piece {
        Piece { planes: vec![Vec::new(); channels], ..Piece::default() }
    }

    fn measure(&mut self, block: usize) {
        let n = self.planes.len();
        self.blocks = self.planes.iter().map(|plane| plane.chunks(block).map(energy_of_difference).collect()).collect();
        self.apart = vec![0.0; n * n];
        for (a, plane_a) in self.planes.iter().enumerate() {
            for (b, plane_b) in self.planes.iter().enumerate().skip(a + 1) {
                let between: Vec<f32> = plane_a.iter().zip(plane_b).map(|(x, y)| x - y).collect();
                self.apart[a * n + b] = between.chunks(block).map(energy_of_difference).sum();
            }
        }
    }

    fn mean(&self, chosen: &[bool], out: &mut Vec<f32>) {
        let mut planes = self.planes.iter().zip(chosen).filter(|(_, chosen)| **chosen).map(|(plane, _)| plane);
        let start = out.len();
        match planes.next() {
            None => out.resize(start + self.planes.first().map_or(0, Vec::len), 0.0),
            Some(first) => out.extend_from_slice(first),
        }
        let mut count = 1.0;
        for plane in planes {
            count += 1.0;
            out.iter_mut().skip(start).zip(plane).for_each(|(sum, x)| *sum += x);
        }
        if count > 1.0 {
            out.iter_mut().skip(start).for_each(|sum| *sum /= count);
        }
    }
}

/// Energy of the first difference.
fn energy_of_difference(x: &[f32]) -> f32 {
    let (now, _) = x.as_chunks::<8>();
    let (next, _) = x.get(1..).unwrap_or_default().as_chunks::<8>();
    // In eight lanes side by side, so that the compiler may add several at once.
    let mut sums = [0.0_f32; 8];
    for (a, b) in now.iter().zip(next) {
        for k in 0..8 {
            let step = b[k] - a[k];
            sums[k] += step * step;
        }
    }
    let done = now.len().min(next.len()) * 8;
    let rest: f32 = x.get(done..).unwrap_or_default().windows(2).map(|w| (w[1] - w[0]) * (w[1] - w[0])).sum();
    sums.iter().sum::<f32>() + rest
}

#[cfg(test)]
mod tests {
    use super::*;

    const RATE: usize = 8_000;

    /// Noise, the same for the same seed.
    fn noise(seed: u64, len: usize, level: f32) -> Vec<f32> {
        crate::rng::Rng(seed).noise(len, level)
    }

    /// Decaying bursts every half second, from a second on to another.
    fn strikes(len: usize, from: usize, to: usize, level: f32) -> Vec<f32> {
        let burst = noise(5, RATE / 2, level);
        let decay = |k: usize| (-((k % (RATE / 2)) as f32) / 200.0).exp();
        let heard = |k: usize| if (from * RATE..to * RATE).contains(&k) { 1.0 } else { 0.0 };
        (0..len).map(|k| heard(k) * decay(k) * burst[k % (RATE / 2)]).collect()
    }

    fn heard(channels: &[Vec<f32>]) -> (Vec<f32>, Heard, u32) {
        let interleaved: Vec<f32> = (0..channels[0].len()).flat_map(|k| channels.iter().map(move |c| c[k])).collect();
        let mut chooser = Chooser::new(channels.len(), RATE);
        let mut out = Vec::new();
        interleaved.chunks(channels.len() * 1_111).for_each(|piece| chooser.push(piece, &mut out));
        chooser.finish(&mut out);
        (out, chooser.heard(), chooser.changes)
    }

    fn add(a: &[f32], b: &[f32]) -> Vec<f32> {
        a.iter().zip(b).map(|(a, b)| a + b).collect()
    }

    #[test]
    fn one_channel_passes_through_and_equal_channels_stay_exact() {
        let take = strikes(3 * RATE + 17, 0, 9, 0.7);
        assert_eq!(heard(std::slice::from_ref(&take)), (take.clone(), Heard::Only, 0));
        assert_eq!(heard(&[take.clone(), take.clone()]), (take, Heard::Mean { alike: 2, of: 2 }, 0));
    }

    #[test]
    fn the_louder_channel_is_heard_not_a_silent_one_and_never_the_mean_of_opposites() {
        let loud = strikes(5 * RATE, 0, 9, 0.7);
        let soft: Vec<f32> = noise(9, loud.len(), 0.001).iter().zip(&loud).map(|(n, x)| n + 0.5 * x).collect();
        let silent = vec![0.0; loud.len()];
        let opposite: Vec<f32> = loud.iter().map(|x| -x).collect();
        assert_eq!(heard(&[soft, loud.clone()]), (loud.clone(), Heard::One { channel: 2, of: 2 }, 0));
        assert_eq!(heard(&[silent.clone(), loud.clone()]), (loud.clone(), Heard::One { channel: 2, of: 2 }, 0));
        assert_eq!(heard(&[loud.clone(), opposite]).0, loud);
        assert_eq!(heard(&[silent.clone(), silent.clone()]).0, silent);
    }

    #[test]
    fn a_hissing_channel_loses_to_a_quieter_one_with_strikes() {
        let take = strikes(8 * RATE, 0, 9, 0.2);
        let hiss = noise(3, take.len(), 0.3);
        assert_eq!(heard(&[hiss, take.clone()]), (take, Heard::One { channel: 2, of: 2 }, 0));
    }

    #[test]
    fn a_channel_that_wakes_up_late_is_heard_from_its_first_strike_on() {
        let (len, background) = (30 * RATE, noise(1, 30 * RATE, 0.003));
        let late = strikes(len, 20, 30, 0.7);
        let (out, by, changes) = heard(&[background, late.clone()]);
        assert_eq!((by, changes), (Heard::One { channel: 2, of: 2 }, 1));
        assert_eq!(out[20 * RATE..], late[20 * RATE..]);
        // And where the first channel is the one that dies half way.
        let early = strikes(len, 0, 12, 0.7);
        let quieter = add(&strikes(len, 0, 30, 0.3), &noise(2, len, 0.001));
        let (out, by, changes) = heard(&[early.clone(), quieter.clone()]);
        assert_eq!((by, changes), (Heard::One { channel: 2, of: 2 }, 1));
        assert_eq!(out[..11 * RATE], early[..11 * RATE]);
        assert_eq!(out[13 * RATE..], quieter[13 * RATE..]);
    }

    #[test]
    fn a_player_turning_about_does_not_make_the_choice_flutter() {
        let len = 20 * RATE;
        let turn = |sign: f32| {
            let gain = |k: usize| 0.5 + sign * 0.2 * (k as f32 / RATE as f32).sin();
            strikes(len, 0, 30, 1.0).iter().enumerate().map(|(k, x)| gain(k) * x).collect::<Vec<_>>()
        };
        let left = turn(1.0);
        assert_eq!(heard(&[left.clone(), turn(-1.0)]), (left, Heard::One { channel: 1, of: 2 }, 0));
    }

    #[test]
    fn of_many_channels_the_alike_ones_are_averaged() {
        let take = strikes(4 * RATE, 0, 9, 0.6);
        let other = strikes(4 * RATE, 2, 3, 0.1);
        let (out, by, _) = heard(&[other.clone(), take.clone(), take.clone(), other]);
        assert_eq!(by, Heard::Mean { alike: 2, of: 4 });
        assert_eq!(out, take);
    }
}
