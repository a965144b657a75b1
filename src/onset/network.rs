//! Small feed-forward networks: standardise, clip, layers with rectified units, one output.

use serde::Deserialize;

use super::lanes::dot;

/// Inputs beyond this many standard deviations are no news to a network that never met them.
const CLIP: f32 = 3.5;

/// One layer: `out[j] = bias[j] + sum_i weights[j][i] in[i]`.
#[derive(Deserialize)]
struct Layer {
    weights: Vec<Vec<f32>>,
    bias: Vec<f32>,
}

/// Networks that share their inputs; the answer is the mean of theirs.
#[derive(Deserialize)]
pub(crate) struct Networks {
    mean: Vec<f32>,
    deviation: Vec<f32>,
    nets: Vec<Vec<Layer>>,
}

impl Networks {
    /// Whether every layer fits the one before and the first fits `inputs`.
    pub(crate) fn fits(&self, inputs: usize) -> bool {
        let chain = |layers: &Vec<Layer>| {
            let mut width = inputs;
            layers.iter().all(|layer| {
                let fits = layer.weights.len() == layer.bias.len() && layer.weights.iter().all(|w| w.len() == width);
                width = layer.bias.len();
                fits
            }) && width == 1
        };
        self.mean.len() == inputs && self.deviation.len() == inputs && !self.nets.is_empty() && self.nets.iter().all(chain)
    }

    fn standardise(&self, x: &[f32], out: &mut Vec<f32>) {
        out.clear();
        out.extend(x.iter().zip(&self.mean).zip(&self.deviation).map(|((v, m), d)| {
            let z = ((v - m) / d).clamp(-CLIP, CLIP);
            if z.is_nan() { 0.0 } else { z }
        }));
    }

    /// Mean of the networks' outputs after `squash`.
    fn mean_of(&self, x: &[f32], squash: impl Fn(f32) -> f32) -> f32 {
        let (mut input, mut a, mut b) = (Vec::new(), Vec::new(), Vec::new());
        self.standardise(x, &mut input);
        let mut sum = 0.0;
        for net in &self.nets {
            a.clone_from(&input);
            for (depth, layer) in net.iter().enumerate() {
                let last = depth + 1 == net.len();
                b.clear();
                b.extend(layer.weights.iter().zip(&layer.bias).map(|(w, bias)| {
                    let v = dot(w, &a) + bias;
                    if last { v } else { v.max(0.0) }
                }));
                std::mem::swap(&mut a, &mut b);
            }
            sum += squash(a.first().copied().unwrap_or(0.0));
        }
        sum / self.nets.len() as f32
    }

    /// Mean output.
    pub(crate) fn value(&self, x: &[f32]) -> f32 {
        self.mean_of(x, |v| v)
    }

    /// Mean of the logistic of the outputs.
    pub(crate) fn probability(&self, x: &[f32]) -> f32 {
        self.mean_of(x, |v| 1.0 / (1.0 + (-v).exp()))
    }
}
