//! Small feed-forward networks: standardise, clip, layers with rectified units, one output.

use fearless_simd::{Level, dispatch, prelude::*};

use super::lanes::{WIDEST, dot};

/// Inputs beyond this many standard deviations are no news to a network that never met them.
const CLIP: f32 = 3.5;
/// Outputs worked out together, in two registers: a layer's outputs are filled up to a multiple of it.
const OUTPUTS: usize = 2 * WIDEST;
/// Rows worked out together, so that a weight once read is used for all of them.
const ROWS: usize = 4;

/// One layer of rectified units: `out[j] = max(0, bias[j] + sum_i weights[i][j] in[i])`.
struct Layer {
    inputs: usize,
    /// One row per input, each with the weights to all outputs, filled up with zeros.
    weights: Vec<f32>,
    bias: Vec<f32>,
}

/// Hidden layers and what their last outputs are summed up with.
struct Net {
    hidden: Vec<Layer>,
    weights: Vec<f32>,
    bias: f32,
}

/// Networks that share their inputs; the answer is the mean of theirs.
pub(crate) struct Networks {
    mean: Vec<f32>,
    /// One over the standard deviations.
    scale: Vec<f32>,
    nets: Vec<Net>,
}

/// Reads the weights as `scripts/pack_weights.rs` packs them: counts and numbers of 4 bytes, little-endian.
pub(crate) struct Packed<'a>(pub(crate) &'a [u8]);

impl Packed<'_> {
    fn bytes<const N: usize>(&mut self) -> Option<[u8; N]> {
        let (first, rest) = self.0.split_first_chunk::<N>()?;
        self.0 = rest;
        Some(*first)
    }

    fn count(&mut self) -> Option<usize> {
        self.bytes().map(|bytes| u32::from_le_bytes(bytes) as usize)
    }

    pub(crate) fn number(&mut self) -> Option<f32> {
        self.bytes().map(f32::from_le_bytes)
    }

    pub(crate) fn double(&mut self) -> Option<f64> {
        self.bytes().map(f64::from_le_bytes)
    }

    /// Appends so many numbers.
    fn numbers(&mut self, count: usize, out: &mut Vec<f32>) -> Option<()> {
        let (numbers, rest) = self.0.split_at_checked(count.checked_mul(4)?)?;
        self.0 = rest;
        out.extend(numbers.as_chunks().0.iter().map(|bytes| f32::from_le_bytes(*bytes)));
        Some(())
    }
}

impl Networks {
    /// Networks with so many inputs; `None` if what is packed are others.
    pub(crate) fn unpack(packed: &mut Packed<'_>, inputs: usize) -> Option<Self> {
        let mut networks = Networks { mean: Vec::new(), scale: Vec::new(), nets: Vec::new() };
        if packed.count()? != inputs {
            return None;
        }
        packed.numbers(inputs, &mut networks.mean)?;
        packed.numbers(inputs, &mut networks.scale)?;
        networks.scale.iter_mut().for_each(|v| *v = 1.0 / *v);
        for _ in 0..packed.count()? {
            networks.nets.push(Net::unpack(packed, inputs)?);
        }
        (!networks.nets.is_empty()).then_some(networks)
    }

    /// Every weight of every layer.
    #[cfg(test)]
    pub(crate) fn weights(&self) -> impl Iterator<Item = f32> + '_ {
        self.nets.iter().flat_map(|n| n.hidden.iter().map(|l| &l.weights).chain([&n.weights])).flatten().copied()
    }

    fn inputs(&self) -> usize {
        self.mean.len()
    }

    /// Mean output for each of the rows, which follow one another.
    pub(crate) fn values(&self, rows: &[f32]) -> Vec<f32> {
        self.mean_of(rows, |v| v)
    }

    /// Mean of the logistic of the outputs for each of the rows.
    pub(crate) fn probabilities(&self, rows: &[f32]) -> Vec<f32> {
        self.mean_of(rows, |v| 1.0 / (1.0 + (-v).exp()))
    }

    fn mean_of(&self, rows: &[f32], squash: impl Fn(f32) -> f32) -> Vec<f32> {
        let mut out = Vec::with_capacity(rows.len() / self.inputs());
        let mut standard = vec![0.0; ROWS * self.inputs()];
        let mut scratch = [Vec::new(), Vec::new()];
        for rows in rows.chunks(ROWS * self.inputs()) {
            let mut sums = [0.0f32; ROWS];
            dispatch!(Level::new(), simd => self.standardise(simd, rows, &mut standard));
            for net in &self.nets {
                let values = dispatch!(Level::new(), simd => net.answer(simd, &standard, &mut scratch));
                for (sum, value) in sums.iter_mut().zip(values) {
                    *sum += squash(value);
                }
            }
            out.extend(sums.iter().take(rows.len() / self.inputs()).map(|sum| sum / self.nets.len() as f32));
        }
        out
    }

    #[inline(always)]
    fn standardise<S: Simd>(&self, simd: S, rows: &[f32], out: &mut [f32]) {
        simd.vectorize(
            #[inline(always)]
            || {
                for (row, out) in rows.chunks_exact(self.inputs()).zip(out.chunks_exact_mut(self.inputs())) {
                    for (((out, v), mean), scale) in out.iter_mut().zip(row).zip(&self.mean).zip(&self.scale) {
                        let z = (v - mean) * scale;
                        let z = if z > CLIP { CLIP } else { z };
                        let z = if z < -CLIP { -CLIP } else { z };
                        *out = if z.is_nan() { 0.0 } else { z };
                    }
                }
            },
        );
    }
}

impl Net {
    fn unpack(packed: &mut Packed<'_>, mut inputs: usize) -> Option<Self> {
        let mut hidden = Vec::new();
        for _ in 1..packed.count()? {
            let outputs = packed.count()?;
            let width = outputs.next_multiple_of(OUTPUTS);
            let mut weights = Vec::with_capacity(inputs * width);
            for input in 1..=inputs {
                packed.numbers(outputs, &mut weights)?;
                weights.resize(input * width, 0.0);
            }
            let mut bias = Vec::with_capacity(width);
            packed.numbers(outputs, &mut bias)?;
            bias.resize(width, 0.0);
            hidden.push(Layer { inputs, weights, bias });
            inputs = outputs;
        }
        if packed.count()? != 1 {
            return None;
        }
        let mut weights = Vec::new();
        packed.numbers(inputs, &mut weights)?;
        Some(Net { hidden, weights, bias: packed.number()? })
    }

    /// The output for each of [`ROWS`] rows of standardised inputs.
    #[inline(always)]
    fn answer<S: Simd>(&self, simd: S, rows: &[f32], scratch: &mut [Vec<f32>; 2]) -> [f32; ROWS] {
        let [from, to] = scratch;
        let (mut first, mut width) = (true, rows.len() / ROWS);
        for layer in &self.hidden {
            to.resize(ROWS * layer.bias.len(), 0.0);
            layer.answer(simd, if first { rows } else { from }, width, to);
            std::mem::swap(from, to);
            (first, width) = (false, layer.bias.len());
        }
        let inputs = if first { rows } else { from };
        let mut out = [0.0; ROWS];
        for (out, row) in out.iter_mut().zip(inputs.chunks_exact(width)) {
            *out = dot::<8>(&self.weights, &row[..self.weights.len()]) + self.bias;
        }
        out
    }
}

impl Layer {
    /// Outputs of [`ROWS`] rows of inputs; a row takes up `width` numbers.
    #[inline(always)]
    fn answer<S: Simd>(&self, simd: S, rows: &[f32], width: usize, out: &mut [f32]) {
        let lanes = S::f32s::LEN;
        let outputs = self.bias.len();
        let zero = S::f32s::splat(simd, 0.0);
        for first in (0..outputs).step_by(2 * lanes) {
            let bias = [
                S::f32s::from_slice(simd, &self.bias[first..first + lanes]),
                S::f32s::from_slice(simd, &self.bias[first + lanes..first + 2 * lanes]),
            ];
            let mut sums = [bias; ROWS];
            let weights = self.weights.chunks_exact(outputs);
            let (a, b, c, d) =
                (&rows[..width], &rows[width..2 * width], &rows[2 * width..3 * width], &rows[3 * width..]);
            let inputs = a.iter().zip(b).zip(c).zip(d).take(self.inputs);
            for (weights, (((a, b), c), d)) in weights.zip(inputs) {
                let weights = &weights[first..first + 2 * lanes];
                let low = S::f32s::from_slice(simd, &weights[..lanes]);
                let high = S::f32s::from_slice(simd, &weights[lanes..]);
                for (sum, input) in sums.iter_mut().zip([*a, *b, *c, *d]) {
                    let input = S::f32s::splat(simd, input);
                    sum[0] = low.mul_add(input, sum[0]);
                    sum[1] = high.mul_add(input, sum[1]);
                }
            }
            for (sum, out) in sums.iter().zip(out.chunks_exact_mut(outputs)) {
                sum[0].max(zero).store_slice(&mut out[first..first + lanes]);
                sum[1].max(zero).store_slice(&mut out[first + lanes..first + 2 * lanes]);
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Networks of the given layer widths packed as `scripts/pack_weights.rs` does, and their weights layer by layer as `[out][in]`.
    fn packed(inputs: usize, widths: &[usize]) -> (Vec<u8>, Vec<Vec<Vec<f32>>>) {
        let mut state = 7u32;
        let mut next = move || {
            state = state.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
            state as f32 / u32::MAX as f32 - 0.5
        };
        let mut bytes = (inputs as u32).to_le_bytes().to_vec();
        let push = |bytes: &mut Vec<u8>, v: f32| bytes.extend(v.to_le_bytes());
        (0..inputs).for_each(|k| push(&mut bytes, k as f32));
        (0..inputs).for_each(|_| push(&mut bytes, 2.0));
        bytes.extend(1u32.to_le_bytes());
        bytes.extend((widths.len() as u32).to_le_bytes());
        let (mut layers, mut width) = (Vec::new(), inputs);
        for &outputs in widths {
            let layer: Vec<Vec<f32>> = (0..outputs).map(|_| (0..width).map(|_| next()).collect()).collect();
            bytes.extend((outputs as u32).to_le_bytes());
            for i in 0..width {
                layer.iter().for_each(|weights| push(&mut bytes, weights[i]));
            }
            (0..outputs).for_each(|j| push(&mut bytes, j as f32 / 10.0));
            layers.push(layer);
            width = outputs;
        }
        (bytes, layers)
    }

    #[test]
    fn a_network_answers_by_its_definition_row_by_row() {
        for (inputs, widths) in [(5, vec![1]), (40, vec![32, 1]), (17, vec![70, 3, 1])] {
            let (bytes, layers) = packed(inputs, &widths);
            let networks = Networks::unpack(&mut Packed(&bytes), inputs).unwrap();
            let rows: Vec<Vec<f32>> = (0..7)
                .map(|row| {
                    (0..inputs).map(|k| k as f32 + if k == row { 100.0 } else { (row * k) as f32 / 50.0 }).collect()
                })
                .collect();
            let found = networks.values(&rows.concat());
            assert_eq!(found.len(), rows.len());
            for (row, found) in rows.iter().zip(found) {
                let mut values: Vec<f32> =
                    row.iter().enumerate().map(|(k, v)| ((v - k as f32) / 2.0).clamp(-CLIP, CLIP)).collect();
                for (depth, layer) in layers.iter().enumerate() {
                    values = (layer.iter().enumerate())
                        .map(|(j, weights)| {
                            weights.iter().zip(&values).map(|(w, v)| w * v).sum::<f32>() + j as f32 / 10.0
                        })
                        .map(|v| if depth + 1 == layers.len() { v } else { v.max(0.0) })
                        .collect();
                }
                assert!((values[0] - found).abs() < 1e-4, "{inputs}: {found}, not {}", values[0]);
            }
        }
    }

    #[test]
    fn what_is_no_number_counts_as_the_mean() {
        let (bytes, _) = packed(5, &[8, 1]);
        let networks = Networks::unpack(&mut Packed(&bytes), 5).unwrap();
        let found = networks.values(&[f32::NAN, 1.0, 2.0, 3.0, 4.0, 0.0, 1.0, 2.0, 3.0, 4.0]);
        assert_eq!(found[0].to_bits(), found[1].to_bits());
    }

    #[test]
    fn networks_of_another_shape_or_cut_short_are_refused() {
        let (bytes, _) = packed(5, &[8, 1]);
        assert!(Networks::unpack(&mut Packed(&bytes), 6).is_none());
        assert!(Networks::unpack(&mut Packed(&bytes[..bytes.len() - 1]), 5).is_none());
        assert!(Networks::unpack(&mut Packed(&packed(5, &[8, 2]).0), 5).is_none());
    }
}
