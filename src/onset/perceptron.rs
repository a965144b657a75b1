//! Small feed-forward networks: standardise, clip, layers with rectified units, one output.

use fearless_simd::{Level, dispatch, prelude::*};

use super::affine::felt;
use super::lanes::{WIDEST, dot};
use super::tensors::{Tensors, WeightsError};

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

impl Networks {
    /// The networks `name.0`, `name.1` and so on, with so many inputs each.
    pub(crate) fn read(tensors: &Tensors<'_>, name: &str, inputs: usize) -> Result<Self, WeightsError> {
        let mean = tensors.get(&format!("{name}.mean"), &[inputs])?;
        let deviation = tensors.get(&format!("{name}.deviation"), &[inputs])?;
        let mut nets = vec![Net::read(tensors, &format!("{name}.0"), inputs)?];
        while tensors.has(&format!("{name}.{}.0.weight", nets.len())) {
            nets.push(Net::read(tensors, &format!("{name}.{}", nets.len()), inputs)?);
        }
        Ok(Networks { mean, scale: deviation.iter().map(|v| 1.0 / v).collect(), nets })
    }

    fn inputs(&self) -> usize {
        self.mean.len()
    }

    /// Mean output for each of the rows, which follow one another.
    pub(crate) fn values(&self, rows: &[f32]) -> Vec<f32> {
        let mut out = Vec::with_capacity(rows.len() / self.inputs());
        let mut standard = vec![0.0; ROWS * self.inputs()];
        let mut scratch = [Vec::new(), Vec::new()];
        for rows in rows.chunks(ROWS * self.inputs()) {
            let mut sums = [0.0f32; ROWS];
            dispatch!(Level::new(), simd => self.standardise(simd, rows, &mut standard));
            for net in &self.nets {
                let values = dispatch!(Level::new(), simd => net.answer(simd, &standard, &mut scratch));
                for (sum, value) in sums.iter_mut().zip(values) {
                    *sum += value;
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
    /// The layers `name.0`, `name.1` and so on; the last has one output.
    fn read(tensors: &Tensors<'_>, name: &str, mut inputs: usize) -> Result<Self, WeightsError> {
        let mut hidden = Vec::new();
        loop {
            let layer = format!("{name}.{}", hidden.len());
            if !tensors.has(&format!("{name}.{}.weight", hidden.len() + 1)) {
                let weights = tensors.get(&format!("{layer}.weight"), &[1, inputs])?;
                let bias = tensors.get(&format!("{layer}.bias"), &[1])?;
                return Ok(Net { hidden, weights, bias: bias.first().copied().unwrap_or_default() });
            }
            let (bias, _) = tensors.any(&format!("{layer}.bias"))?;
            let outputs = bias.len();
            let by_output = tensors.get(&format!("{layer}.weight"), &[outputs, inputs])?;
            hidden.push(Layer::new(&by_output, &bias, inputs));
            inputs = outputs;
        }
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
    /// From the weights of each output in turn.
    fn new(by_output: &[f32], bias: &[f32], inputs: usize) -> Self {
        let width = bias.len().next_multiple_of(OUTPUTS);
        let mut weights = vec![0.0; inputs * width];
        for (output, of_output) in by_output.chunks_exact(inputs.max(1)).enumerate() {
            for (input, weight) in of_output.iter().enumerate() {
                weights[input * width + output] = felt(*weight);
            }
        }
        let mut bias = bias.to_vec();
        bias.resize(width, 0.0);
        Layer { inputs, weights, bias }
    }

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
    use super::super::affine::tests::numbers;
    use super::super::model::tests::file;
    use super::*;

    /// A file with one network of the given layer widths, and its weights layer by layer as `[out][in]`.
    fn packed(inputs: usize, widths: &[usize]) -> (Vec<u8>, Vec<Vec<f32>>) {
        let mut tensors = vec![
            ("n.mean".to_owned(), vec![inputs], (0..inputs).map(|k| k as f32).collect()),
            ("n.deviation".to_owned(), vec![inputs], vec![2.0; inputs]),
        ];
        let (mut layers, mut width) = (Vec::new(), inputs);
        for (k, &outputs) in widths.iter().enumerate() {
            let weights = numbers(outputs * width, 7 + k as u32);
            layers.push(weights.clone());
            tensors.push((format!("n.0.{k}.weight"), vec![outputs, width], weights));
            tensors.push((format!("n.0.{k}.bias"), vec![outputs], (0..outputs).map(|j| j as f32 / 10.0).collect()));
            width = outputs;
        }
        (file(&tensors, &[]), layers)
    }

    fn read(bytes: &[u8], inputs: usize) -> Result<Networks, WeightsError> {
        Networks::read(&Tensors::of(bytes)?, "n", inputs)
    }

    #[test]
    fn a_network_answers_by_its_definition_row_by_row() {
        for (inputs, widths) in [(5, vec![1]), (40, vec![32, 1]), (17, vec![70, 3, 1])] {
            let (bytes, layers) = packed(inputs, &widths);
            let networks = read(&bytes, inputs).unwrap();
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
                    values = (layer.chunks_exact(values.len()).enumerate())
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
        let networks = read(&packed(5, &[8, 1]).0, 5).unwrap();
        let found = networks.values(&[f32::NAN, 1.0, 2.0, 3.0, 4.0, 0.0, 1.0, 2.0, 3.0, 4.0]);
        assert_eq!(found[0].to_bits(), found[1].to_bits());
    }

    #[test]
    fn networks_of_another_shape_are_refused() {
        assert!(read(&packed(5, &[8, 1]).0, 6).is_err());
        assert!(read(&packed(5, &[8, 2]).0, 5).is_err());
    }
}
