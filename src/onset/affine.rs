//! Layers of a network over time, many frames at once.
//!
//! What a layer reads and writes are rows, one a channel (or one a channel and band), with a column for each frame. An
//! output is a bias and a weighted sum of *taps*: rows, each shifted by some columns. That covers a convolution over bands
//! and frames as well as a plain product with a matrix. A register holds neighbouring columns of one row, so any number of
//! channels fills it.

use fearless_simd::{Level, dispatch, prelude::*};

/// Weights of taps in a convolution over frames one channel at a time.
pub(crate) const DEPTHWISE: usize = 5;
/// Outputs worked out together, the most that divide their number: with two registers of columns each, six fill the
/// sixteen registers of AVX2, and eight sums in flight are what hides the latency of a product on current processors.
const ABREAST: [usize; 4] = [6, 4, 2, 1];
/// A weight below this is zero: a fit lets useless weights sink as far as 1e-44. Against sums of a thousandth and more it
/// is lost in rounding anyway, but a processor takes a hundred times as long over numbers below 1e-38.
pub(crate) const MIN_WEIGHT: f32 = 1e-12;

/// Rows of equal width, one after another.
pub(crate) struct Rows {
    pub(crate) width: usize,
    pub(crate) data: Vec<f32>,
}

impl Rows {
    /// So many rows of zeros.
    pub(crate) fn new(count: usize, width: usize) -> Self {
        Rows { width, data: vec![0.0; count * width] }
    }

    pub(crate) fn row(&self, row: usize) -> &[f32] {
        &self.data[row * self.width..(row + 1) * self.width]
    }

    pub(crate) fn row_mut(&mut self, row: usize) -> &mut [f32] {
        &mut self.data[row * self.width..(row + 1) * self.width]
    }

    /// Moves `keep` columns, those from column `by` on, to the front.
    pub(crate) fn slide(&mut self, by: usize, keep: usize) {
        for row in self.data.chunks_exact_mut(self.width) {
            row.copy_within(by..by + keep, 0);
        }
    }

    /// Sets columns to zero.
    pub(crate) fn clear(&mut self, columns: std::ops::Range<usize>) {
        if !columns.is_empty() {
            for row in self.data.chunks_exact_mut(self.width) {
                row[columns.clone()].fill(0.0);
            }
        }
    }
}

/// What becomes of a sum before it is written. Rows that are added stand column for column under the outputs.
#[derive(Clone, Copy)]
pub(crate) enum Then<'a> {
    Nothing,
    Rectify,
    /// The rectified sum is added to these rows, which begin here and are so wide.
    AddRectified(&'a [f32], usize),
    /// These rows are added, and the result is rectified.
    AddAndRectify(&'a [f32], usize),
}

/// Where a layer reads and writes.
pub(crate) struct Job<'a> {
    pub(crate) from: &'a [f32],
    /// Place of each tap from the beginning of `from`, for the first column of the first band.
    pub(crate) taps: &'a [usize],
    /// How often the layer is run with the same weights, further along the bands.
    pub(crate) bands: usize,
    /// From one band to the next in `from`.
    pub(crate) from_step: usize,
    pub(crate) to: &'a mut [f32],
    /// From one band to the next in `to`.
    pub(crate) to_step: usize,
    /// From one output to the next in `to`.
    pub(crate) to_row: usize,
    /// Columns worked out, rounded up to whole registers: `from` and `to` must have room for that.
    pub(crate) columns: usize,
    pub(crate) then: Then<'a>,
}

/// `out[o] = bias[o] + sum over taps of weights[o][tap] * in[tap]`, column by column.
pub(crate) struct Affine {
    /// Outputs worked out together.
    abreast: usize,
    taps: usize,
    /// Group of outputs by group, tap by tap, output by output.
    weights: Vec<f32>,
    bias: Vec<f32>,
}

impl Affine {
    /// From the weights of each output in turn, one a tap.
    pub(crate) fn new(weights: &[f32], bias: &[f32]) -> Self {
        let outputs = bias.len().max(1);
        let taps = weights.len() / outputs;
        let abreast = ABREAST.into_iter().find(|n| outputs.is_multiple_of(*n)).unwrap_or(1);
        let mut grouped = Vec::with_capacity(weights.len());
        for first in (0..outputs).step_by(abreast) {
            for tap in 0..taps {
                grouped.extend((first..first + abreast).map(|output| felt(weights[output * taps + tap])));
            }
        }
        Affine { abreast, taps, weights: grouped, bias: bias.to_vec() }
    }

    pub(crate) fn run(&self, level: Level, job: Job<'_>) {
        debug_assert_eq!(job.taps.len(), self.taps);
        dispatch!(level, simd => self.run_with(simd, job));
    }

    #[inline(always)]
    fn run_with<S: Simd>(&self, simd: S, job: Job<'_>) {
        match self.abreast {
            6 => self.groups::<S, 6>(simd, job),
            4 => self.groups::<S, 4>(simd, job),
            2 => self.groups::<S, 2>(simd, job),
            _ => self.groups::<S, 1>(simd, job),
        }
    }

    #[inline(always)]
    fn groups<S: Simd, const ABREAST: usize>(&self, simd: S, job: Job<'_>) {
        let Job { from, taps, bands, from_step, to, to_step, to_row, columns, then } = job;
        let lanes = S::f32s::LEN;
        let columns = columns.next_multiple_of(lanes);
        let groups = self.weights.chunks_exact(ABREAST * self.taps).zip(self.bias.as_chunks::<ABREAST>().0);
        for band in 0..bands {
            let from = &from[band * from_step..];
            for (group, (weights, bias)) in groups.clone().enumerate() {
                let weights = weights.as_chunks::<ABREAST>().0;
                let first = group * ABREAST;
                let mut column = 0;
                while column + 2 * lanes <= columns {
                    let sums = tile::<S, ABREAST, 2>(simd, from, taps, column, weights, bias);
                    store(simd, sums, to, band * to_step + first * to_row + column, to_row, first, column, then);
                    column += 2 * lanes;
                }
                if column < columns {
                    let sums = tile::<S, ABREAST, 1>(simd, from, taps, column, weights, bias);
                    store(simd, sums, to, band * to_step + first * to_row + column, to_row, first, column, then);
                }
            }
        }
    }
}

/// The sums of some outputs for some registers of columns.
#[inline(always)]
fn tile<S: Simd, const ABREAST: usize, const WIDE: usize>(
    simd: S,
    from: &[f32],
    taps: &[usize],
    column: usize,
    weights: &[[f32; ABREAST]],
    bias: &[f32; ABREAST],
) -> [[S::f32s; WIDE]; ABREAST] {
    let lanes = S::f32s::LEN;
    let zero = S::f32s::splat(simd, 0.0);
    let mut sums = [[zero; WIDE]; ABREAST];
    for (sum, bias) in sums.iter_mut().zip(bias) {
        *sum = [S::f32s::splat(simd, *bias); WIDE];
    }
    for (tap, weights) in taps.iter().zip(weights) {
        let at = tap + column;
        let from = &from[at..at + WIDE * lanes];
        let mut x = [zero; WIDE];
        for (k, x) in x.iter_mut().enumerate() {
            *x = S::f32s::from_slice(simd, &from[k * lanes..(k + 1) * lanes]);
        }
        for (sum, weight) in sums.iter_mut().zip(weights) {
            let weight = S::f32s::splat(simd, *weight);
            for (sum, x) in sum.iter_mut().zip(x) {
                *sum = x.mul_add(weight, *sum);
            }
        }
    }
    sums
}

#[inline(always)]
#[allow(clippy::too_many_arguments, reason = "inlined into one place; a struct would only rename them")]
fn store<S: Simd, const ABREAST: usize, const WIDE: usize>(
    simd: S,
    sums: [[S::f32s; WIDE]; ABREAST],
    to: &mut [f32],
    at: usize,
    to_row: usize,
    first: usize,
    column: usize,
    then: Then<'_>,
) {
    let lanes = S::f32s::LEN;
    let zero = S::f32s::splat(simd, 0.0);
    for (k, sums) in sums.into_iter().enumerate() {
        let to = &mut to[at + k * to_row..at + k * to_row + WIDE * lanes];
        for (wide, (sum, to)) in sums.into_iter().zip(to.chunks_exact_mut(lanes)).enumerate() {
            let (output, column) = (first + k, column + wide * lanes);
            let out = match then {
                Then::Nothing => sum,
                Then::Rectify => sum.max(zero),
                Then::AddRectified(rows, width) => load(simd, rows, output * width + column) + sum.max(zero),
                Then::AddAndRectify(rows, width) => (load(simd, rows, output * width + column) + sum).max(zero),
            };
            out.store_slice(to);
        }
    }
}

#[inline(always)]
fn load<S: Simd>(simd: S, rows: &[f32], at: usize) -> S::f32s {
    S::f32s::from_slice(simd, &rows[at..at + S::f32s::LEN])
}

pub(crate) fn felt(weight: f32) -> f32 {
    if weight.abs() < MIN_WEIGHT { 0.0 } else { weight }
}

/// `x + relu(pointwise(depthwise(x)))`: each channel over frames that lie `dilation` apart, then all channels mixed.
pub(crate) struct Block {
    pub(crate) dilation: usize,
    /// How many of the frames looked at lie before the one that is worked out.
    before: usize,
    depthwise: Vec<[f32; DEPTHWISE]>,
    pointwise: Affine,
}

impl Block {
    pub(crate) fn new(depthwise: &[f32], pointwise: Affine, dilation: usize, before: usize) -> Self {
        let depthwise = depthwise.as_chunks::<DEPTHWISE>().0.iter().map(|w| w.map(felt)).collect();
        Block { dilation, before, depthwise, pointwise }
    }

    /// Columns of the input that lie before and after those of the output.
    pub(crate) fn reach(&self) -> (usize, usize) {
        (self.before * self.dilation, (DEPTHWISE - 1 - self.before) * self.dilation)
    }

    /// Works out `columns` columns, rounded up to whole registers, of `to` from column `to_at` on; the first column that
    /// they look at is `from_at`.
    pub(crate) fn run(
        &self,
        level: Level,
        from: &Rows,
        from_at: usize,
        (to, to_at): (&mut Rows, usize),
        columns: usize,
        between: &mut Rows,
    ) {
        dispatch!(level, simd => self.depthwise(simd, from, from_at, between, columns));
        let taps: Vec<usize> = (0..self.depthwise.len()).map(|row| row * between.width).collect();
        self.pointwise.run(
            level,
            Job {
                from: &between.data,
                taps: &taps,
                bands: 1,
                from_step: 0,
                to_row: to.width,
                to: &mut to.data[to_at..],
                to_step: 0,
                columns,
                then: Then::AddRectified(&from.data[from_at + self.reach().0..], from.width),
            },
        );
    }

    #[inline(always)]
    fn depthwise<S: Simd>(&self, simd: S, from: &Rows, from_at: usize, to: &mut Rows, columns: usize) {
        let lanes = S::f32s::LEN;
        for (row, weights) in self.depthwise.iter().enumerate() {
            let from = &from.row(row)[from_at..];
            let to = to.row_mut(row);
            for column in (0..columns).step_by(lanes) {
                let mut sum = S::f32s::splat(simd, 0.0);
                for (k, weight) in weights.iter().enumerate() {
                    let at = column + k * self.dilation;
                    sum = S::f32s::from_slice(simd, &from[at..at + lanes]).mul_add(*weight, sum);
                }
                sum.store_slice(&mut to[column..column + lanes]);
            }
        }
    }
}

#[cfg(test)]
pub(crate) mod tests {
    use super::*;

    /// Numbers in -.5..=.5 from the quick generator of Numerical Recipes.
    pub(crate) fn numbers(count: usize, mut state: u32) -> Vec<f32> {
        (0..count)
            .map(|_| {
                state = state.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
                (state >> 8) as f32 / (1 << 24) as f32 - 0.5
            })
            .collect()
    }

    fn close(found: f32, expected: f32) -> bool {
        (found - expected).abs() < 1e-5 * expected.abs().max(1.0)
    }

    #[test]
    fn an_affine_layer_is_its_definition_for_any_number_of_outputs_and_columns() {
        let (width, rows) = (96, 7);
        let from = numbers(width * rows, 3);
        for outputs in [1, 2, 3, 4, 6, 8, 36] {
            for columns in [1, 16, 17, 40, 64] {
                let taps: Vec<usize> = (0..rows).map(|row| row * width + row).collect();
                let weights = numbers(outputs * rows, 5);
                let bias = numbers(outputs, 7);
                let with = numbers(outputs * 80, 9);
                type Finish = fn(f32, f32) -> f32;
                let thens: [(Then<'_>, Finish); 4] = [
                    (Then::Nothing, |v, _| v),
                    (Then::Rectify, |v, _| v.max(0.0)),
                    (Then::AddRectified(&with, 80), |v, w| w + v.max(0.0)),
                    (Then::AddAndRectify(&with, 80), |v, w| (w + v).max(0.0)),
                ];
                for (then, finish) in thens {
                    let mut to = vec![f32::NAN; outputs * 80];
                    let job = Job {
                        from: &from,
                        taps: &taps,
                        bands: 1,
                        from_step: 0,
                        to: &mut to,
                        to_step: 0,
                        to_row: 80,
                        columns,
                        then,
                    };
                    Affine::new(&weights, &bias).run(Level::new(), job);
                    for o in 0..outputs {
                        for c in 0..columns {
                            let sum: f32 = (0..rows).map(|t| weights[o * rows + t] * from[taps[t] + c]).sum();
                            let expected = finish(bias[o] + sum, with[o * 80 + c]);
                            assert!(close(to[o * 80 + c], expected), "{outputs} {columns} {o} {c}");
                        }
                    }
                }
            }
        }
    }

    #[test]
    fn a_block_is_its_definition() {
        for (dilation, before) in [(1, 3), (8, 3), (4, 2)] {
            let (channels, columns) = (12, 40);
            let mut from = Rows::new(channels, 128);
            from.data = numbers(channels * 128, 11);
            let (dw, pw, bias) = (numbers(channels * 5, 13), numbers(channels * channels, 17), numbers(channels, 19));
            let block = Block::new(&dw, Affine::new(&pw, &bias), dilation, before);
            let (mut to, mut between) = (Rows::new(channels, 64), Rows::new(channels, 64));
            block.run(Level::new(), &from, 3, (&mut to, 5), columns, &mut between);
            for c in 0..columns {
                let mixed = |o: usize| {
                    let depth =
                        |i: usize| -> f32 { (0..5).map(|k| dw[i * 5 + k] * from.row(i)[3 + c + k * dilation]).sum() };
                    bias[o] + (0..channels).map(|i| pw[o * channels + i] * depth(i)).sum::<f32>()
                };
                for o in 0..channels {
                    let expected = from.row(o)[3 + c + before * dilation] + mixed(o).max(0.0);
                    assert!(close(to.row(o)[5 + c], expected), "{dilation} {o} {c}");
                }
            }
        }
    }
}
