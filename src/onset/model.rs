//! The fitted weights of the ear: `assets/ear.safetensors`, written by `scripts/ear/fit.py` and `scripts/ear/place.py`.
//!
//! All tensors are `F32`, row by row (the last dimension runs fastest); dimensions of 1 may be left out or added. A
//! convolution is `[outputs, inputs, bands, frames]`, a layer `[outputs, inputs]`. `[channel, band]` is flattened channel by
//! channel.
//!
//! | tensor | shape | what it is |
//! |---|---|---|
//! | `b1.weight`, `b1.bias` | 6 1 3 5; 6 | coarse path, first convolution |
//! | `b2.weight`, `b2.bias` | 8 6 3 3; 8 | second, every other band |
//! | `b0.weight`, `b0.bias` | 36 80; 36 | mixture of all channels |
//! | `B.0.dw` to `B.4.dw` | 36 5 | blocks, over frames 1, 2, 4, 8, 8 apart, three of five before |
//! | `B.0.pw.weight`, `B.0.pw.bias` … | 36 36; 36 | and over channels |
//! | `g.weight`, `g.bias` | 1 36; 1 | gate: logit |
//! | `up.weight`, `up.bias` | 24 36; 24 | to the fine path |
//! | `a1.weight`, `a1.bias` | 6 9; 6 | fine path, first convolution, over frames |
//! | `a2.weight`, `a2.bias` | 6 6 3 3; 6 | second, every other band |
//! | `a0.weight`, `a0.bias` | 24 43; 24 | mixture; its last input is the level |
//! | `A.0.dw` to `A.2.dw`, `A.0.pw.weight`, `A.0.pw.bias` … | 24 5; 24 24; 24 | blocks, over frames 1, 2, 4 apart, two of five before |
//! | `h.weight`, `h.bias` | 2 24; 2 | logit and distance in frames |
//! | `c.u.weight`, `c.u.bias` | 32 62; 32 | company: what a candidate is (fine 24, coarse 36, level, logit of its votes) |
//! | `c.0.q`, `c.0.k`, `c.0.v`; `c.1.q` … | 32 80; 32 80; 32 32 | queries and keys (what it knows 32, colour 24, later 24), values (that 32), round by round |
//! | `c.0.s`, `c.0.n`, `c.0.nullv` … | 4; 4; 4 8 | weight of likeness, nobody's score and value, head by head |
//! | `c.0.r.weight`, `c.0.r.bias` … | 32 64; 32 | what a candidate knew and is told: what it knows then |
//! | `c.0.o.weight`, `c.0.o.bias` … | 32; 1 | added to the logit of its votes |
//! | `place.mean`, `place.deviation` | 121 | of the numbers of `features::timing` |
//! | `place.0.0.weight`, `place.0.0.bias`, `place.0.1.weight` … | 24 121; 24; 1 24 … | net by net, layer by layer; the answer is the nets' mean: correction in ms |
//! | `sigma.mean` … | as `place` | logarithm of the standard deviation in ms |
//!
//! Metadata, each a number as text: `gate`, probability from which on a coarse frame opens the gate; `sigma_scale`,
//! `sigma_power`; `audible_over_noise_db`.

use std::sync::OnceLock;

use safetensors::SafeTensors;

use super::affine::{Affine, Block};
use super::coarse::{self, Coarse};
use super::company::{self, Company, Round};
use super::features::TIMING;
use super::fine::{self, Fine};
use super::front::INPUT_SCALE;
use super::network::Network;
use super::perceptron::Networks;
use super::tensors::{Tensors, WeightsError};

/// The fitted weights.
pub(crate) struct Model {
    pub(crate) network: Network,
    /// Correction of the place in milliseconds, to be added.
    pub(crate) place: Networks,
    /// Logarithm of the standard deviation of the corrected place in milliseconds.
    pub(crate) sigma: Networks,
    /// Factor and power on sigma at which as many errors lie within each multiple of it as normal ones would, for small
    /// and for large sigmas alike (`scripts/measuring/measure_calibration.py --fit`): the network alone keeps too near its middle.
    pub(crate) sigma_scale: f32,
    pub(crate) sigma_power: f32,
    /// Of strikes this many decibels above the noise of their surroundings four in five are heard.
    pub(crate) audible_over_noise_db: f64,
}

pub(super) static WEIGHTS: &[u8] = include_bytes!("../../assets/ear.safetensors");

/// The model; read once.
pub(crate) fn model() -> &'static Model {
    static MODEL: OnceLock<Model> = OnceLock::new();
    MODEL.get_or_init(|| Model::read(WEIGHTS).unwrap_or_else(|why| unreachable!("the embedded weights: {why}")))
}

impl Tensors<'_> {
    fn array<const N: usize>(&self, name: &str) -> Result<[f32; N], WeightsError> {
        let numbers = self.get(name, &[N])?;
        Ok(std::array::from_fn(|k| numbers[k]))
    }

    /// `name.weight` and `name.bias`; the first dimension counts the outputs.
    fn affine(&self, name: &str, shape: &[usize], scale: f32) -> Result<Affine, WeightsError> {
        let mut weights = self.get(&format!("{name}.weight"), shape)?;
        weights.iter_mut().for_each(|v| *v *= scale);
        Ok(Affine::new(&weights, &self.get(&format!("{name}.bias"), &shape[..1])?))
    }

    fn product(&self, name: &str, inputs: usize, scale: f32) -> Result<Affine, WeightsError> {
        let mut weights = self.get(name, &[company::WIDTH, inputs])?;
        weights.iter_mut().for_each(|v| *v *= scale);
        Ok(Affine::new(&weights, &[0.0; company::WIDTH]))
    }

    fn block(&self, name: &str, channels: usize, dilation: usize, before: usize) -> Result<Block, WeightsError> {
        let depthwise = self.get(&format!("{name}.dw"), &[channels, super::affine::DEPTHWISE])?;
        Ok(Block::new(&depthwise, self.affine(&format!("{name}.pw"), &[channels; 2], 1.0)?, dilation, before))
    }

    fn coarse(&self) -> Result<Coarse, WeightsError> {
        let [outputs, bands, frames] = coarse::FIRST;
        let block = |k: usize| self.block(&format!("B.{k}"), coarse::CHANNELS, coarse::DILATIONS[k], coarse::BEFORE);
        Ok(Coarse {
            first: self.affine("b1", &[outputs, bands, frames], INPUT_SCALE)?,
            second: self.affine("b2", &coarse::SECOND, 1.0)?,
            mix: self.affine("b0", &[coarse::CHANNELS, coarse::FLAT], 1.0)?,
            blocks: [block(0)?, block(1)?, block(2)?, block(3)?, block(4)?],
            gate: self.affine("g", &[1, coarse::CHANNELS], 1.0)?,
        })
    }

    fn fine(&self) -> Result<Fine, WeightsError> {
        let block = |k: usize| self.block(&format!("A.{k}"), fine::CHANNELS, fine::DILATIONS[k], fine::BEFORE);
        Ok(Fine {
            first: self.affine("a1", &fine::FIRST, INPUT_SCALE)?,
            second: self.affine("a2", &fine::SECOND, 1.0)?,
            mix: self.affine("a0", &[fine::CHANNELS, fine::FLAT], 1.0)?,
            from_coarse: self.affine("up", &[fine::CHANNELS, coarse::CHANNELS], 1.0)?,
            blocks: [block(0)?, block(1)?, block(2)?],
            head: self.affine("h", &[2, fine::CHANNELS], 1.0)?,
        })
    }

    fn company(&self) -> Result<Company, WeightsError> {
        let own = self.affine("c.u", &[company::OWN, company::ALONE], 1.0)?;
        Ok(Company { own, rounds: [self.round("c.0")?, self.round("c.1")?] })
    }

    fn round(&self, name: &str) -> Result<Round, WeightsError> {
        use company::{ASKED, DEPTH, HEADS, OWN, WIDTH};
        let named = |what: &str| format!("{name}.{what}");
        let nobodys = self.get(&named("nullv"), &[HEADS, DEPTH])?;
        Ok(Round {
            // Scores are divided by the root of a head's numbers.
            query: self.product(&named("q"), ASKED, 1.0 / (DEPTH as f32).sqrt())?,
            key: self.product(&named("k"), ASKED, 1.0)?,
            value: self.product(&named("v"), OWN, 1.0)?,
            likeness: self.array(&named("s"))?,
            nobody: self.array(&named("n"))?,
            nobodys: std::array::from_fn(|head| std::array::from_fn(|k| nobodys[head * DEPTH + k])),
            answer: self.affine(&named("r"), &[OWN, OWN + WIDTH], 1.0)?,
            last: self.affine(&named("o"), &[1, OWN], 1.0)?,
        })
    }
}

impl Model {
    pub(crate) fn read(bytes: &[u8]) -> Result<Self, WeightsError> {
        let (_, metadata) = SafeTensors::read_metadata(bytes)?;
        let number = |name: &'static str| {
            let text = metadata.metadata().as_ref().and_then(|numbers| numbers.get(name));
            text.and_then(|text| text.parse::<f64>().ok()).ok_or(WeightsError::Metadata { name })
        };
        let tensors = Tensors::of(bytes)?;
        let gate = number("gate")?;
        Ok(Model {
            network: Network {
                coarse: tensors.coarse()?,
                gate: (gate / (1.0 - gate)).ln() as f32,
                fine: tensors.fine()?,
                company: tensors.company()?,
            },
            place: Networks::read(&tensors, "place", TIMING)?,
            sigma: Networks::read(&tensors, "sigma", TIMING)?,
            sigma_scale: number("sigma_scale")? as f32,
            sigma_power: number("sigma_power")? as f32,
            audible_over_noise_db: number("audible_over_noise_db")?,
        })
    }
}

#[cfg(test)]
pub(super) mod tests {
    use safetensors::Dtype;
    use safetensors::tensor::TensorView;

    use super::super::affine::tests::numbers;
    use super::*;

    /// The network's tensors, in the order of `scripts/outside/ear_reference.py`.
    fn network_tensors() -> Vec<(String, Vec<usize>)> {
        let layer = |name: &str, shape: &[usize]| {
            [(format!("{name}.weight"), shape.to_vec()), (format!("{name}.bias"), vec![shape[0]])]
        };
        let block = |path: &str, k: usize, n: usize| {
            let [weight, bias] = layer(&format!("{path}.{k}.pw"), &[n, n]);
            [(format!("{path}.{k}.dw"), vec![n, 5]), weight, bias]
        };
        let mut out = Vec::new();
        out.extend(layer("b1", &[6, 1, 3, 5]));
        out.extend(layer("b2", &[8, 6, 3, 3]));
        out.extend(layer("b0", &[36, 80]));
        out.extend((0..5).flat_map(|k| block("B", k, 36)));
        out.extend(layer("g", &[1, 36]));
        out.extend(layer("up", &[24, 36]));
        out.extend(layer("a1", &[6, 9]));
        out.extend(layer("a2", &[6, 6, 3, 3]));
        out.extend(layer("a0", &[24, 43]));
        out.extend((0..3).flat_map(|k| block("A", k, 24)));
        out.extend(layer("h", &[2, 24]));
        out.extend(layer("c.u", &[32, 62]));
        for round in 0..company::ROUNDS {
            let bare: [(&str, &[usize]); 6] =
                [("q", &[32, 80]), ("k", &[32, 80]), ("v", &[32, 32]), ("s", &[4]), ("n", &[4]), ("nullv", &[4, 8])];
            out.extend(bare.map(|(name, shape)| (format!("c.{round}.{name}"), shape.to_vec())));
            out.extend(layer(&format!("c.{round}.r"), &[32, 64]));
            out.extend([(format!("c.{round}.o.weight"), vec![32]), (format!("c.{round}.o.bias"), vec![1])]);
        }
        out
    }

    type Tensor = (String, Vec<usize>, Vec<f32>);

    /// The network's random weights of `scripts/outside/ear_reference.py`; the other networks give nothing.
    pub(in super::super) fn random() -> Vec<Tensor> {
        let mut out: Vec<Tensor> = Vec::new();
        for (k, (name, shape)) in network_tensors().into_iter().enumerate() {
            let fan: usize = shape[1..].iter().product();
            let size = if shape.len() > 1 { 2.0 * (3.0 / fan as f64).sqrt() } else { 0.4 };
            let size = if name == "h.weight" { 2.0 * size } else { size } as f32;
            let values = match name.as_str() {
                "h.bias" => vec![-9.0, 10.0],
                _ => numbers(shape.iter().product(), 1000 + k as u32).iter().map(|v| v * size).collect(),
            };
            out.push((name, shape, values));
        }
        for name in ["place", "sigma"] {
            out.push((format!("{name}.mean"), vec![TIMING], vec![0.0; TIMING]));
            out.push((format!("{name}.deviation"), vec![TIMING], vec![1.0; TIMING]));
            out.push((format!("{name}.0.0.weight"), vec![1, TIMING], vec![0.0; TIMING]));
            out.push((format!("{name}.0.0.bias"), vec![1], vec![0.0]));
        }
        out
    }

    pub(in super::super) const METADATA: [(&str, &str); 4] =
        [("gate", "0.1"), ("sigma_scale", "2.3"), ("sigma_power", "1.35"), ("audible_over_noise_db", "3.0")];

    pub(in super::super) fn file(tensors: &[Tensor], metadata: &[(&str, &str)]) -> Vec<u8> {
        let bytes: Vec<Vec<u8>> =
            tensors.iter().map(|(_, _, values)| values.iter().flat_map(|v| v.to_le_bytes()).collect()).collect();
        let views = tensors.iter().zip(&bytes).map(|((name, shape, _), bytes)| {
            (name.clone(), TensorView::new(Dtype::F32, shape.clone(), bytes).expect("shape and length agree"))
        });
        let metadata = metadata.iter().map(|(k, v)| ((*k).to_owned(), (*v).to_owned())).collect();
        safetensors::serialize(views, Some(metadata)).expect("views of tensors")
    }

    #[test]
    fn the_embedded_weights_fit_the_numbers_the_ear_looks_at() {
        let model = Model::read(WEIGHTS).unwrap();
        assert!(model.sigma_scale > 0.0 && model.sigma_power > 0.0 && model.audible_over_noise_db > 0.0);
        assert!(model.network.gate < 0.0);
        assert!(Model::read(&WEIGHTS[..WEIGHTS.len() - 1]).is_err());
    }

    #[test]
    fn a_file_with_a_tensor_of_another_shape_or_without_one_or_a_number_is_refused_and_said_why() {
        let good = random();
        assert!(Model::read(&file(&good, &METADATA)).is_ok());
        for (k, (name, ..)) in good.iter().enumerate() {
            let mut bad = good.clone();
            bad[k].1.insert(0, 2);
            bad[k].2.extend_from_within(..);
            let said = Model::read(&file(&bad, &METADATA)).err().map(|why| why.to_string()).unwrap_or_default();
            assert!(said.contains(&format!("`{name}`")), "{name}: {said}");
            bad.remove(k);
            assert!(Model::read(&file(&bad, &METADATA)).is_err(), "{name}");
        }
        for k in 0..METADATA.len() {
            let mut bad = METADATA;
            bad[k].1 = "much";
            let said = Model::read(&file(&good, &bad)).err().map(|why| why.to_string()).unwrap_or_default();
            assert!(said.contains(bad[k].0), "{said}");
        }
    }
}
