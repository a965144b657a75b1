//! Packs the ear's fitted weights, `assets/ear.json`, into bytes that are loaded by copying, not by reading text.
//!
//! All numbers little-endian, counts in 4 bytes, weights as `f32`. Each of the networks `first`, `second`, `place`,
//! `sigma`: inputs, means, standard deviations, count of nets; each net: count of layers; each layer: count of outputs,
//! weights input by input (all outputs of the first input, then of the second), biases. Then `sigma_scale`, `sigma_power`, the
//! four numbers of `threshold` and, as `f64`, `audible_over_noise_db`.

use std::error::Error;

use serde_json::Value;

const WEIGHTS: &str = "assets/ear.json";
/// A weight below this is zero: the fit lets weights of useless inputs sink as far as 1e-44. Against sums of a thousandth
/// and more it is lost in rounding anyway, but a processor takes a hundred times as long over numbers below 1e-38.
const LEAST_WEIGHT: f32 = 1e-12;

fn field<'a>(value: &'a Value, name: &str) -> Result<&'a Value, String> {
    value.get(name).ok_or_else(|| format!("`{WEIGHTS}` has no `{name}` where one is expected"))
}

fn list<'a>(value: &'a Value, name: &str) -> Result<&'a [Value], String> {
    Ok(field(value, name)?.as_array().ok_or_else(|| format!("`{name}` in `{WEIGHTS}` is no list"))?)
}

fn number(value: &Value) -> Result<f64, String> {
    value.as_f64().ok_or_else(|| format!("`{WEIGHTS}` has `{value}` where a number is expected"))
}

fn numbers(values: &[Value]) -> Result<Vec<f32>, String> {
    values.iter().map(|value| number(value).map(|v| v as f32)).collect()
}

fn expect(found: usize, expected: usize, what: &str) -> Result<(), String> {
    if found == expected { Ok(()) } else { Err(format!("`{WEIGHTS}` has {found} {what}, not {expected}")) }
}

fn count(bytes: &mut Vec<u8>, count: usize) -> Result<(), std::num::TryFromIntError> {
    bytes.extend(u32::try_from(count)?.to_le_bytes());
    Ok(())
}

fn put(bytes: &mut Vec<u8>, values: impl IntoIterator<Item = f32>) {
    bytes.extend(values.into_iter().flat_map(f32::to_le_bytes));
}

fn felt(weight: f32) -> f32 {
    if weight.abs() < LEAST_WEIGHT { 0.0 } else { weight }
}

fn networks(bytes: &mut Vec<u8>, value: &Value) -> Result<(), Box<dyn Error>> {
    let (mean, deviation) = (numbers(list(value, "mean")?)?, numbers(list(value, "deviation")?)?);
    let inputs = mean.len();
    expect(deviation.len(), inputs, "standard deviations")?;
    count(bytes, inputs)?;
    put(bytes, mean);
    put(bytes, deviation);
    let nets = list(value, "nets")?;
    count(bytes, nets.len())?;
    for net in nets {
        let layers = net.as_array().map(Vec::as_slice).unwrap_or_default();
        count(bytes, layers.len())?;
        let mut inputs = inputs;
        for layer in layers {
            let bias = numbers(list(layer, "bias")?)?;
            let weights = list(layer, "weights")?
                .iter()
                .map(|row| numbers(row.as_array().map(Vec::as_slice).unwrap_or_default()));
            let weights = weights.collect::<Result<Vec<_>, _>>()?;
            expect(weights.len(), bias.len(), "rows of weights in a layer")?;
            for row in &weights {
                expect(row.len(), inputs, "weights in a row")?;
            }
            count(bytes, bias.len())?;
            for input in 0..inputs {
                put(bytes, weights.iter().map(|row| felt(row[input])));
            }
            inputs = bias.len();
            put(bytes, bias);
        }
        expect(inputs, 1, "outputs of a net")?;
    }
    Ok(())
}

#[allow(clippy::print_stdout)] // how a build script speaks to cargo
fn main() -> Result<(), Box<dyn Error>> {
    println!("cargo::rerun-if-changed={WEIGHTS}");
    let weights: Value = serde_json::from_slice(&std::fs::read(WEIGHTS)?)?;
    let mut bytes = Vec::new();
    for name in ["first", "second", "place", "sigma"] {
        networks(&mut bytes, field(&weights, name)?)?;
    }
    for name in ["sigma_scale", "sigma_power"] {
        put(&mut bytes, [number(field(&weights, name)?)? as f32]);
    }
    for name in ["noisy", "noisy_doubtful", "quiet", "quiet_doubtful"] {
        put(&mut bytes, [number(field(field(&weights, "threshold")?, name)?)? as f32]);
    }
    bytes.extend(number(field(&weights, "audible_over_noise_db")?)?.to_le_bytes());
    let out = std::env::var_os("OUT_DIR").ok_or("cargo sets `OUT_DIR`")?;
    std::fs::write(std::path::Path::new(&out).join("ear.bin"), bytes)?;
    Ok(())
}
