//! Short frames where the coarse path opens the gate -> votes for the moments at which something is struck.
//!
//! Built as the coarse path, but looking no further than 28 ms either way. What the coarse path knows is added, and the
//! level. Each frame says how likely it is that a strike lies within 3.5 frames (5 ms) of it, and where.
//!
//! Only stretches around open gates are worked out, each with the margin that its layers look at.

use std::ops::Range;

use fearless_simd::{Level, dispatch, prelude::*};

use super::affine::{Affine, Block, Job, Rows, Then};
use super::coarse::{self, Outline, outside, rows, taps};
use super::front::Front;
use super::lanes::WIDEST;
use super::spectrum::SHORT_BANDS;

/// Outputs of the first convolution, over this many frames of one band.
pub(crate) const FIRST: [usize; 2] = [6, 9];
/// Channels and, over bands and frames, extent of the second convolution.
pub(crate) const SECOND: [usize; 4] = [6, FIRST[0], 3, 3];
/// Bands after the second convolution, which takes every other.
const SECOND_BANDS: usize = (SHORT_BANDS - SECOND[2]) / 2 + 1;
/// What the mixture looks at: the level comes last.
pub(crate) const FLAT: usize = SECOND[0] * SECOND_BANDS + 1;
/// Channels of the path.
pub(crate) const CHANNELS: usize = 24;
/// Frames between those that a block looks at.
pub(crate) const DILATIONS: [usize; 3] = [1, 2, 4];
/// Of the five frames a block looks at two lie before.
pub(crate) const BEFORE: usize = 2;
/// Short frames in a long one.
const FINER: usize = 4;
/// A gate opens so many frames on either side (9 ms).
const AROUND_GATE: usize = 6;
/// Frames worked out together at most: what they need fits the second nearest cache.
const TOGETHER: usize = 96;
/// Columns that the layers look at beyond those worked out, on either side: the blocks, the second, the first convolution.
const BLOCKS_REACH: usize = BEFORE * (DILATIONS[0] + DILATIONS[1] + DILATIONS[2]);
const SECOND_REACH: usize = BLOCKS_REACH + SECOND[3] / 2;
const REACH: usize = SECOND_REACH + FIRST[1] / 2;
/// Room for all columns, rounded up to whole registers.
const WIDTH: usize = TOGETHER + 2 * REACH + WIDEST;
/// The same for the long frames beneath them.
const WIDTH_BENEATH: usize = WIDTH / FINER + 2 * WIDEST;
/// A frame less likely than this has no vote.
const MIN_LIKELY: f32 = 0.04;
/// A frame points no further than so many frames.
const MAX_OFFSET: f32 = 7.0;
/// And no further than so many frames out of the piece.
const MAX_OUTSIDE: f64 = 2.0;

/// The path's weights.
pub(crate) struct Fine {
    pub(crate) first: Affine,
    pub(crate) second: Affine,
    pub(crate) mix: Affine,
    /// From the channels of the coarse path.
    pub(crate) from_coarse: Affine,
    pub(crate) blocks: [Block; DILATIONS.len()],
    /// Logit, and the distance to the strike in frames.
    pub(crate) head: Affine,
}

/// A frame that says where something is struck.
pub(crate) struct Vote {
    pub(crate) frame: usize,
    /// How likely it is, more than [`MIN_LIKELY`].
    pub(crate) likely: f32,
    /// In frames.
    pub(crate) at: f64,
    pub(crate) channels: [f32; CHANNELS],
}

/// The path at work on a piece.
pub(crate) struct Working<'a> {
    fine: &'a Fine,
    level: Level,
    front: &'a Front,
    outline: &'a Outline,
    input: Rows,
    first: Rows,
    second: Rows,
    beneath: Rows,
    spread: Rows,
    states: [Rows; DILATIONS.len() + 1],
    between: Rows,
    head: Rows,
}

/// Frames that lie near an open gate, in rising order; none touches the next.
fn open(gates: &[f32], least: f32, count: usize) -> Vec<Range<usize>> {
    let mut out: Vec<Range<usize>> = Vec::new();
    for (frame, _) in gates.iter().enumerate().filter(|(_, gate)| **gate > least) {
        let at = FINER * frame;
        let near = at.saturating_sub(AROUND_GATE)..(at + AROUND_GATE + 1).min(count);
        match out.last_mut() {
            Some(last) if near.start <= last.end => last.end = near.end,
            _ => out.push(near),
        }
    }
    out
}

/// The stretches put together or divided so that each is worth working out at once: at most [`TOGETHER`] frames.
fn together(open: &[Range<usize>]) -> Vec<Range<usize>> {
    let mut out: Vec<Range<usize>> = Vec::new();
    for stretch in open {
        match out.last_mut() {
            // Two stretches for themselves would cost more than the gap.
            Some(last) if stretch.start < last.end + 2 * BLOCKS_REACH && stretch.end - last.start <= TOGETHER => {
                last.end = stretch.end;
            }
            _ => {
                let parts = stretch.len().div_ceil(TOGETHER).max(1);
                let part = |k: usize| stretch.start + stretch.len() * k / parts;
                out.extend((0..parts).map(|k| part(k)..part(k + 1)));
            }
        }
    }
    out
}

impl<'a> Working<'a> {
    pub(crate) fn new(fine: &'a Fine, level: Level, front: &'a Front, outline: &'a Outline) -> Self {
        let channels = || Rows::new(CHANNELS, WIDTH);
        Working {
            fine,
            level,
            front,
            outline,
            input: Rows::new(SHORT_BANDS, WIDTH),
            first: Rows::new(FIRST[0] * SHORT_BANDS, WIDTH),
            second: Rows::new(FLAT, WIDTH),
            beneath: Rows::new(CHANNELS, WIDTH_BENEATH),
            spread: Rows::new(CHANNELS, FINER * WIDTH_BENEATH),
            states: [channels(), channels(), channels(), channels()],
            between: channels(),
            head: Rows::new(2, WIDTH),
        }
    }

    /// The votes of all frames near a gate whose logit exceeds `least_gate`.
    pub(crate) fn votes(&mut self, least_gate: f32) -> Vec<Vote> {
        let count = self.front.short.len();
        let open = open(&self.outline.gates, least_gate, count);
        let least = (MIN_LIKELY / (1.0 - MIN_LIKELY)).ln();
        let mut out = Vec::new();
        let mut next = open.iter().peekable();
        for stretch in together(&open) {
            self.run(stretch.clone());
            for frame in stretch.clone() {
                while next.next_if(|open| open.end <= frame).is_some() {}
                if next.peek().is_none_or(|open| open.start > frame) {
                    continue;
                }
                let column = frame - stretch.start;
                let logit = self.head.row(0)[column];
                if logit > least {
                    let offset = self.head.row(1)[column].clamp(-MAX_OFFSET, MAX_OFFSET);
                    out.push(Vote {
                        frame,
                        likely: 1.0 / (1.0 + (-logit).exp()),
                        at: (frame as f64 + f64::from(offset)).clamp(-MAX_OUTSIDE, count as f64 - 1.0 + MAX_OUTSIDE),
                        channels: self.channels(column),
                    });
                }
            }
        }
        out
    }

    /// The channels of any frame.
    pub(crate) fn channels_at(&mut self, frame: usize) -> [f32; CHANNELS] {
        self.run(frame..frame + 1);
        self.channels(0)
    }

    fn channels(&self, column: usize) -> [f32; CHANNELS] {
        let mut out = [0.0; CHANNELS];
        if let Some(last) = self.states.last() {
            for (row, out) in out.iter_mut().enumerate() {
                *out = last.row(row)[column];
            }
        }
        out
    }

    /// Works out frames, at most [`TOGETHER`]: their channels stand in the last of `states` and what they say in `head`, from
    /// column 0 on.
    fn run(&mut self, frames: Range<usize>) {
        let Working { fine, level, front, outline, input, first, second, beneath, spread, states, between, head } =
            self;
        let (level, count) = (*level, front.short.len());
        let begin = |reach: usize| frames.start as isize - reach as isize;
        let columns = |reach: usize| frames.len() + 2 * reach;
        let clear = |rows: &mut Rows, reach: usize| {
            outside(begin(reach), columns(reach), count).into_iter().for_each(|columns| rows.clear(columns));
        };
        front.put_short(level, begin(REACH), columns(REACH), input, 0);
        fine.first.run(
            level,
            Job {
                from: &input.data,
                taps: &rows(FIRST[1], 1),
                bands: SHORT_BANDS,
                from_step: WIDTH,
                to: &mut first.data,
                to_step: WIDTH,
                to_row: SHORT_BANDS * WIDTH,
                columns: columns(SECOND_REACH),
                then: Then::Rectify,
            },
        );
        clear(first, SECOND_REACH);
        fine.second.run(
            level,
            Job {
                from: &first.data,
                taps: &taps(SECOND, SHORT_BANDS, WIDTH),
                bands: SECOND_BANDS,
                from_step: 2 * WIDTH,
                to: &mut second.data,
                to_step: WIDTH,
                to_row: SECOND_BANDS * WIDTH,
                columns: columns(BLOCKS_REACH),
                then: Then::Rectify,
            },
        );
        for (column, v) in second.row_mut(FLAT - 1).iter_mut().take(columns(BLOCKS_REACH)).enumerate() {
            let frame = usize::try_from(begin(BLOCKS_REACH) + column as isize).ok();
            *v = frame.filter(|frame| *frame < count).map_or(0.0, |frame| front.level(frame));
        }
        // The coarse frames from the first to one after the last, which is repeated at the end of the piece.
        let from = begin(BLOCKS_REACH).max(0) as usize / FINER;
        let to = ((frames.end + BLOCKS_REACH).min(count) - 1) / FINER + 1;
        fine.from_coarse.run(
            level,
            Job {
                from: &outline.channels.data[from..],
                taps: &rows(coarse::CHANNELS, outline.channels.width),
                bands: 1,
                from_step: 0,
                to: &mut beneath.data,
                to_step: 0,
                to_row: WIDTH_BENEATH,
                columns: to + 1 - from,
                then: Then::Nothing,
            },
        );
        if to == front.long.len() {
            for row in 0..CHANNELS {
                beneath.row_mut(row).copy_within(to - 1 - from..to - from, to - from);
            }
        }
        dispatch!(level, simd => spread_out(simd, beneath, spread, to - from));
        let under = (WIDEST as isize + begin(BLOCKS_REACH) - (FINER * from) as isize) as usize;
        fine.mix.run(
            level,
            Job {
                from: &second.data,
                taps: &rows(FLAT, WIDTH),
                bands: 1,
                from_step: 0,
                to: &mut states[0].data,
                to_step: 0,
                to_row: WIDTH,
                columns: columns(BLOCKS_REACH),
                then: Then::AddAndRectify(&spread.data[under..], spread.width),
            },
        );
        let mut reach = BLOCKS_REACH;
        clear(&mut states[0], reach);
        for (k, block) in fine.blocks.iter().enumerate() {
            let [from, to] = &mut states[k..k + 2] else { break };
            reach -= block.reach().0;
            block.run(level, from, 0, (to, 0), columns(reach), between);
            clear(to, reach);
        }
        let Some(last) = states.last() else { return };
        fine.head.run(
            level,
            Job {
                from: &last.data,
                taps: &rows(CHANNELS, WIDTH),
                bands: 1,
                from_step: 0,
                to: &mut head.data,
                to_step: 0,
                to_row: WIDTH,
                columns: frames.len(),
                then: Then::Nothing,
            },
        );
    }
}

/// Linear between coarse frames, `count` of them and one more; the first stands in column [`WIDEST`].
#[inline(always)]
fn spread_out<S: Simd>(simd: S, coarse: &Rows, fine: &mut Rows, count: usize) {
    let lanes = S::f32s::LEN;
    for row in 0..CHANNELS {
        let from = coarse.row(row);
        let to = &mut fine.row_mut(row)[WIDEST..];
        for at in (0..count).step_by(lanes) {
            let this = S::f32s::from_slice(simd, &from[at..at + lanes]);
            let next = S::f32s::from_slice(simd, &from[at + 1..at + 1 + lanes]);
            let step = (next - this) * (1.0 / FINER as f32);
            let (a, b) = this.interleave(step.mul_add(2.0, this));
            let (c, d) = (this + step).interleave(step.mul_add(3.0, this));
            let (first, second) = a.interleave(c);
            let (third, fourth) = b.interleave(d);
            for (k, quarter) in [first, second, third, fourth].iter().enumerate() {
                let at = FINER * at + k * lanes;
                quarter.store_slice(&mut to[at..at + lanes]);
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_gate_opens_six_frames_on_either_side_and_stretches_that_touch_are_one() {
        let mut gates = vec![-1.0; 100];
        for frame in [0, 50, 53, 60, 99] {
            gates[frame] = 1.0;
        }
        // Frames 50 and 53 open 194..=206 and 206..=218.
        assert_eq!(open(&gates, 0.0, 398), [0..7, 194..219, 234..247, 390..398]);
        assert!(open(&gates, 2.0, 398).is_empty());
    }

    #[test]
    fn near_stretches_are_worked_out_together_and_long_ones_in_parts() {
        let found = together(&[0..7, 30..50, 90..100, 200..500]);
        assert_eq!(found, [0..50, 90..100, 200..275, 275..350, 350..425, 425..500]);
    }

    #[test]
    fn between_coarse_frames_it_is_linear() {
        let mut coarse = Rows::new(CHANNELS, WIDTH_BENEATH);
        let mut fine = Rows::new(CHANNELS, FINER * WIDTH_BENEATH);
        let value = |row: usize, frame: usize| ((row * 31 + frame * frame) % 17) as f32;
        for row in 0..CHANNELS {
            for frame in 0..=20 {
                coarse.row_mut(row)[frame] = value(row, frame);
            }
        }
        dispatch!(Level::new(), simd => spread_out(simd, &coarse, &mut fine, 20));
        for row in 0..CHANNELS {
            for frame in 0..80 {
                let (a, b) = (value(row, frame / 4), value(row, frame / 4 + 1));
                let expected = a + (b - a) * (frame % 4) as f32 / 4.0;
                assert!((fine.row(row)[WIDEST + frame] - expected).abs() < 1e-5, "{row} {frame}");
            }
        }
    }
}
