//! Long frames -> for each of them, whether a strike may be near, and what the finer path and the company need of it.
//!
//! A convolution over bands with the same weights for all of them, so that an object a fifth higher is the same object; a
//! second one that halves the bands; a mixture of all channels; then five blocks that look further and further around,
//! three times as far back as ahead: 400 ms back, 150 ms ahead.
//!
//! Frames are worked out in blocks small enough for the nearest caches. A layer that looks ahead is that much behind the
//! one before it, and keeps as many frames of its input as it looks back, so that nothing is worked out twice.

use fearless_simd::Level;

use super::affine::{Affine, Block, Job, Rows, Then};
use super::front::Front;
use super::lanes::WIDEST;
use super::spectrum::LONG_BANDS;

/// Bands and frames that the first convolution looks at, and what it gives.
pub(crate) const FIRST: [usize; 3] = [6, 3, 5];
/// Channels and, over bands and frames, extent of the second convolution.
pub(crate) const SECOND: [usize; 4] = [8, FIRST[0], 3, 3];
/// Bands after the first and after the second convolution, which takes every other.
const FIRST_BANDS: usize = LONG_BANDS - FIRST[1] + 1;
const SECOND_BANDS: usize = (FIRST_BANDS - SECOND[2]) / 2 + 1;
/// What the mixture looks at.
pub(crate) const FLAT: usize = SECOND[0] * SECOND_BANDS;
/// Channels of the path.
pub(crate) const CHANNELS: usize = 36;
/// Frames between those that a block looks at.
pub(crate) const DILATIONS: [usize; 5] = [1, 2, 4, 8, 8];
/// Of the five frames a block looks at three lie before.
pub(crate) const BEFORE: usize = 3;
/// Frames worked out together.
const TOGETHER: usize = 64;

/// The path's weights.
pub(crate) struct Coarse {
    pub(crate) first: Affine,
    pub(crate) second: Affine,
    pub(crate) mix: Affine,
    pub(crate) blocks: [Block; DILATIONS.len()],
    /// Logit that a strike lies in a frame or next to it.
    pub(crate) gate: Affine,
}

/// What the path found out.
pub(crate) struct Outline {
    /// Channels, one row each, a column a frame; wider than there are frames.
    pub(crate) channels: Rows,
    /// One logit a frame.
    pub(crate) gates: Vec<f32>,
}

/// Where each tap of a convolution over bands and frames reads, input channels of so many bands in rows of such width.
pub(crate) fn taps([_, channels, over_bands, over_frames]: [usize; 4], bands: usize, width: usize) -> Vec<usize> {
    let mut taps = Vec::with_capacity(channels * over_bands * over_frames);
    for channel in 0..channels {
        for band in 0..over_bands {
            taps.extend((0..over_frames).map(|frame| (channel * bands + band) * width + frame));
        }
    }
    taps
}

/// The first row's tap, the second row's, and so on.
pub(crate) fn rows(count: usize, width: usize) -> Vec<usize> {
    (0..count).map(|row| row * width).collect()
}

/// Columns of frames that are none of the piece's: zero, whatever a layer made of them.
pub(crate) fn outside(first: isize, columns: usize, count: usize) -> [std::ops::Range<usize>; 2] {
    let before = (-first).clamp(0, columns as isize) as usize;
    let end = (count as isize - first).clamp(before as isize, columns as isize) as usize;
    [0..before, end..columns]
}

impl Coarse {
    pub(crate) fn hear(&self, level: Level, front: &Front) -> Outline {
        let count = front.long.len();
        let width = count + WIDEST;
        let mut outline = Outline { channels: Rows::new(CHANNELS, width), gates: vec![0.0; count] };
        // Columns kept from before: as many as the layer looks back and ahead.
        let (first_kept, second_kept) = (FIRST[2] - 1, SECOND[3] - 1);
        let mut input = Rows::new(LONG_BANDS, first_kept + TOGETHER);
        let mut first = Rows::new(FIRST[0] * FIRST_BANDS, second_kept + TOGETHER);
        let mut second = Rows::new(FLAT, TOGETHER);
        let kept = |block: &Block| block.reach().0 + block.reach().1;
        let mut between = Rows::new(CHANNELS, TOGETHER);
        // The input of each block, and the last one's output.
        let mut states: Vec<Rows> =
            self.blocks.iter().map(kept).chain([0]).map(|kept| Rows::new(CHANNELS, kept + TOGETHER)).collect();
        let first_taps = taps([FIRST[0], 1, FIRST[1], FIRST[2]], LONG_BANDS, input.width);
        let second_taps = taps(SECOND, FIRST_BANDS, first.width);
        let mix_taps = rows(FLAT, second.width);
        let gate_taps = rows(CHANNELS, TOGETHER);
        let behind = first_kept / 2 + second_kept / 2 + self.blocks.iter().map(|b| b.reach().1).sum::<usize>();
        let mut gates = [0.0; TOGETHER];
        for begin in (0..count + behind).step_by(TOGETHER) {
            let mut frame = begin as isize;
            front.put_long(level, frame, TOGETHER, &mut input, first_kept);
            frame -= first_kept as isize / 2;
            self.first.run(
                level,
                Job {
                    from: &input.data,
                    taps: &first_taps,
                    bands: FIRST_BANDS,
                    from_step: input.width,
                    to_step: first.width,
                    to_row: FIRST_BANDS * first.width,
                    to: &mut first.data[second_kept..],
                    columns: TOGETHER,
                    then: Then::Rectify,
                },
            );
            clear(&mut first, second_kept, frame, count);
            frame -= second_kept as isize / 2;
            self.second.run(
                level,
                Job {
                    from: &first.data,
                    taps: &second_taps,
                    bands: SECOND_BANDS,
                    from_step: 2 * first.width,
                    to_step: second.width,
                    to_row: SECOND_BANDS * second.width,
                    to: &mut second.data,
                    columns: TOGETHER,
                    then: Then::Rectify,
                },
            );
            let at = states[0].width - TOGETHER;
            self.mix.run(
                level,
                Job {
                    from: &second.data,
                    taps: &mix_taps,
                    bands: 1,
                    from_step: 0,
                    to_step: 0,
                    to_row: states[0].width,
                    to: &mut states[0].data[at..],
                    columns: TOGETHER,
                    then: Then::Rectify,
                },
            );
            clear(&mut states[0], at, frame, count);
            for (k, block) in self.blocks.iter().enumerate() {
                let [from, to] = &mut states[k..k + 2] else { break };
                let at = to.width - TOGETHER;
                block.run(level, from, 0, (to, at), TOGETHER, &mut between);
                frame -= block.reach().1 as isize;
                clear(to, at, frame, count);
                from.slide(TOGETHER, from.width - TOGETHER);
            }
            input.slide(TOGETHER, first_kept);
            first.slide(TOGETHER, second_kept);
            let Some(last) = states.last() else { break };
            self.gate.run(
                level,
                Job {
                    from: &last.data,
                    taps: &gate_taps,
                    bands: 1,
                    from_step: 0,
                    to_step: 0,
                    to_row: 0,
                    to: &mut gates,
                    columns: TOGETHER,
                    then: Then::Nothing,
                },
            );
            // Those of the piece.
            let [before, after] = outside(frame, TOGETHER, count);
            let inside = before.end..after.start;
            let to = (frame + before.end as isize).max(0) as usize;
            outline.gates[to..to + inside.len()].copy_from_slice(&gates[inside.clone()]);
            for row in 0..CHANNELS {
                outline.channels.row_mut(row)[to..to + inside.len()].copy_from_slice(&last.row(row)[inside.clone()]);
            }
        }
        outline
    }
}

/// Sets what was worked out for frames outside the piece to zero: the columns from `at` on, of which the first is `frame`.
fn clear(rows: &mut Rows, at: usize, frame: isize, count: usize) {
    for columns in outside(frame, TOGETHER, count) {
        rows.clear(at + columns.start..at + columns.end);
    }
}

const _: () = assert!(TOGETHER.is_multiple_of(WIDEST));
