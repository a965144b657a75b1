//! Arithmetic on many numbers at once, in as wide registers as the processor has.
//!
//! Functions that take `simd` must be inlined into a `fearless_simd::dispatch!`, which compiles its code for each kind
//! of processor and takes the best at run time. They keep to the operations written, in their order, so that only
//! sums whose order depends on the width, and the rounding between a product and a sum that some processors leave out,
//! differ between processors.

use fearless_simd::{f32x8, prelude::*};

/// Numbers in the widest register; arrays that are read by the register are filled up to a multiple of it.
pub(crate) const WIDEST: usize = 16;

/// Sum of products, in lanes so that the compiler can use wide registers.
#[inline(always)]
pub(crate) fn dot<const LANES: usize>(a: &[f32], b: &[f32]) -> f32 {
    let mut lanes = [0.0f32; LANES];
    let ((a, a_rest), (b, b_rest)) = (a.as_chunks::<LANES>(), b.as_chunks::<LANES>());
    for (x, y) in a.iter().zip(b) {
        for k in 0..LANES {
            lanes[k] += x[k] * y[k];
        }
    }
    lanes.iter().sum::<f32>() + a_rest.iter().zip(b_rest).map(|(x, y)| x * y).sum::<f32>()
}

/// Sum of products of two slices of whole registers.
#[inline(always)]
pub(crate) fn whole_dot<S: Simd>(simd: S, a: &[f32], b: &[f32]) -> f32 {
    let lanes = S::f32s::LEN;
    let mut sum = S::f32s::splat(simd, 0.0);
    for (a, b) in a.chunks_exact(lanes).zip(b.chunks_exact(lanes)) {
        sum = S::f32s::from_slice(simd, a).mul_add(S::f32s::from_slice(simd, b), sum);
    }
    sum.reduce_sum()
}

/// Sum of a slice of any length.
#[inline(always)]
pub(crate) fn sum<S: Simd>(simd: S, x: &[f32]) -> f32 {
    let whole = x.chunks_exact(S::f32s::LEN);
    let mut tail = 0.0;
    for v in whole.remainder() {
        tail += v;
    }
    let mut sum = S::f32s::splat(simd, 0.0);
    for v in whole {
        sum += S::f32s::from_slice(simd, v);
    }
    sum.reduce_sum() + tail
}

/// `sqrt(1/2)` as bits: mantissas are taken from here to twice as much.
const HALF_ROOT: u32 = 0x3f35_04f3;
/// The bits of a mantissa.
const MANTISSA: u32 = 0x007f_ffff;

/// Natural logarithm to about 1e-6 in absolute terms, for positive normal numbers; made of steps that the compiler can
/// run side by side. Mantissa in `[sqrt(1/2), sqrt(2))`, series of `2 artanh((m-1)/(m+1))` to the ninth power.
#[inline(always)]
pub(crate) fn fast_ln(x: f32) -> f32 {
    let bits = x.to_bits().wrapping_sub(HALF_ROOT);
    let exponent = (bits as i32) >> 23;
    let m = f32::from_bits((bits & MANTISSA).wrapping_add(HALF_ROOT));
    let s = (m - 1.0) / (m + 1.0);
    let z = s * s;
    let series = 2.0 * s * (1.0 + z * (1.0 / 3.0 + z * (1.0 / 5.0 + z * (1.0 / 7.0 + z * (1.0 / 9.0)))));
    exponent as f32 * std::f32::consts::LN_2 + series
}

/// Mantissa and exponent as for [`fast_ln`].
#[inline(always)]
fn take_apart<S: Simd>(x: S::f32s) -> (S::f32s, S::f32s) {
    let bits: S::u32s = x.bitcast();
    let bits = bits - HALF_ROOT;
    let signed: S::i32s = bits.bitcast();
    let mantissa = (bits & MANTISSA) + HALF_ROOT;
    (mantissa.bitcast(), (signed >> 23).to_float())
}

/// [`fast_ln`] of two registers; the division, which takes longest, is shared.
#[inline(always)]
pub(crate) fn ln_of_two<S: Simd>(a: S::f32s, b: S::f32s) -> (S::f32s, S::f32s) {
    let ((a, a_exponent), (b, b_exponent)) = (take_apart::<S>(a), take_apart::<S>(b));
    let (a_above, b_above) = (a + 1.0, b + 1.0);
    let simd = a.token();
    let inverse = S::f32s::splat(simd, 1.0) / (a_above * b_above);
    let s = (a - 1.0) * b_above * inverse;
    let t = (b - 1.0) * a_above * inverse;
    (assemble::<S>(s, a_exponent), assemble::<S>(t, b_exponent))
}

/// The series of [`fast_ln`].
#[inline(always)]
fn assemble<S: Simd>(s: S::f32s, exponent: S::f32s) -> S::f32s {
    let z = s * s;
    let series = z.mul_add(1.0 / 9.0, 1.0 / 7.0);
    let series = z.mul_add(series, 1.0 / 5.0);
    let series = z.mul_add(series, 1.0 / 3.0);
    let series = z.mul_add(series, 1.0);
    exponent.mul_add(std::f32::consts::LN_2, s * 2.0 * series)
}

/// [`fast_ln`] of every number, in place.
#[inline(always)]
pub(crate) fn ln_all<S: Simd>(simd: S, x: &mut [f32]) {
    let lanes = S::f32s::LEN;
    let mut pairs = x.chunks_exact_mut(2 * lanes);
    for pair in &mut pairs {
        let (a, b) = pair.split_at_mut(lanes);
        let (x, y) = ln_of_two::<S>(S::f32s::from_slice(simd, a), S::f32s::from_slice(simd, b));
        x.store_slice(a);
        y.store_slice(b);
    }
    for v in pairs.into_remainder() {
        *v = fast_ln(*v);
    }
}

/// What is smaller has no exponential among the normal numbers.
const MIN_EXPONENT: f32 = -87.0;
/// `ln 2` in two parts, of which the first has few bits, so that a whole number of times it is exact (Cody & Waite 1980).
const LN_2: (f32, f32) = (0.693_359_4, -2.121_944_4e-4);

/// Exponential of what is not above 88, to about 3e-7 of it; never below the smallest normal number. `2^k` times the series
/// to the sixth power of what is left, at most half of `ln 2`.
#[inline(always)]
fn exp<S: Simd>(simd: S, x: S::f32s) -> S::f32s {
    let x = x.max(S::f32s::splat(simd, MIN_EXPONENT));
    let k = (x * std::f32::consts::LOG2_E).round_ties_even();
    let r = k.mul_add(-LN_2.1, k.mul_add(-LN_2.0, x));
    let series = r.mul_add(1.0 / 720.0, 1.0 / 120.0);
    let series = r.mul_add(series, 1.0 / 24.0);
    let series = r.mul_add(series, 1.0 / 6.0);
    let series = r.mul_add(series, 0.5);
    let series = r.mul_add(series, 1.0);
    let series = r.mul_add(series, 1.0);
    let bits: S::i32s = series.bitcast();
    let power: S::i32s = k.to_int();
    (bits + (power << 23)).bitcast()
}

/// Exponential of every number, measured from the largest, in place; their sum. Whole registers.
#[inline(always)]
pub(crate) fn exp_all<S: Simd>(simd: S, x: &mut [f32], largest: f32) -> f32 {
    let mut sum = S::f32s::splat(simd, 0.0);
    for x in x.chunks_exact_mut(S::f32s::LEN) {
        let e = exp(simd, S::f32s::from_slice(simd, x) - largest);
        sum += e;
        e.store_slice(x);
    }
    sum.reduce_sum()
}

/// Rows become columns: three rounds of shuffling the upper half of the rows into the lower.
#[inline(always)]
pub(crate) fn transpose<S: Simd>(mut rows: [f32x8<S>; 8]) -> [f32x8<S>; 8] {
    for _ in 0..3 {
        let [a, b, c, d, e, f, g, h] = rows;
        let ((p, q), (r, s)) = (a.interleave(e), b.interleave(f));
        let ((t, u), (v, w)) = (c.interleave(g), d.interleave(h));
        rows = [p, q, r, s, t, u, v, w];
    }
    rows
}

#[cfg(test)]
#[allow(clippy::float_cmp)] // whole numbers are exact
mod tests {
    use super::*;
    use fearless_simd::{Level, dispatch};

    #[test]
    fn fast_ln_agrees_with_ln_over_the_whole_range_of_powers() {
        for k in 0..40_000 {
            let x = 1e-18f32 * 1.003f32.powi(k % 26_000).max(1e-3);
            assert!((fast_ln(x) - x.ln()).abs() < 2e-5 * x.ln().abs().max(1.0), "{x}");
        }
    }

    #[test]
    fn logarithms_of_whole_registers_are_those_of_their_numbers() {
        #[inline(always)]
        fn check<S: Simd>(simd: S) {
            for k in 0..400 {
                let x = S::f32s::from_fn(simd, |lane| 1e-15 * 1.1f32.powi(k + lane as i32));
                let y = S::f32s::from_fn(simd, |lane| 1e3 * 0.9f32.powi(k + lane as i32));
                let (a, b) = ln_of_two::<S>(x, y);
                for lane in 0..S::f32s::LEN {
                    for (found, of) in [(a, x), (b, y)] {
                        let (found, expected) = (found.as_slice()[lane], of.as_slice()[lane].ln());
                        assert!((found - expected).abs() < 1e-6 * expected.abs().max(1.0), "{found} {expected}");
                    }
                }
            }
        }
        dispatch!(Level::new(), simd => check(simd));
    }

    #[test]
    fn logarithms_of_all_numbers_leave_out_none() {
        for n in 0..70 {
            let x: Vec<f32> = (0..n).map(|k| 1e-6 * 1.7f32.powi(k)).collect();
            let mut found = x.clone();
            dispatch!(Level::new(), simd => ln_all(simd, &mut found));
            assert!(found.iter().zip(&x).all(|(f, x)| (f - x.ln()).abs() < 1e-5), "{n}");
        }
    }

    #[test]
    fn exponentials_agree_with_exp_and_add_up() {
        #[inline(always)]
        fn check<S: Simd>(simd: S) {
            let x: Vec<f32> = (0..960).map(|k| 7.0 - k as f32 / 10.0).chain([f32::NEG_INFINITY; 16]).collect();
            let mut found = x.clone();
            let sum = exp_all(simd, &mut found, 7.0);
            for (found, x) in found.iter().zip(&x) {
                let expected = (x - 7.0).exp();
                assert!((found - expected).abs() < 4e-7 * expected + 2e-38, "{found} {expected}");
            }
            assert!((sum - found.iter().sum::<f32>()).abs() < 1e-4);
        }
        dispatch!(Level::new(), simd => check(simd));
    }

    #[test]
    fn transposed_rows_are_columns() {
        #[inline(always)]
        fn check<S: Simd>(simd: S) {
            let rows = std::array::from_fn(|row| f32x8::from_fn(simd, |column| (10 * row + column) as f32));
            for (column, found) in transpose(rows).iter().enumerate() {
                let expected: Vec<f32> = (0..8).map(|row| (10 * row + column) as f32).collect();
                assert_eq!(found.as_slice(), expected);
            }
        }
        dispatch!(Level::new(), simd => check(simd));
    }

    #[test]
    fn a_sum_takes_the_tail_along() {
        #[inline(always)]
        fn check<S: Simd>(simd: S) {
            for n in 0..50 {
                let x: Vec<f32> = (1..=n).map(|v| v as f32).collect();
                assert_eq!(sum(simd, &x), (n * (n + 1) / 2) as f32);
            }
        }
        dispatch!(Level::new(), simd => check(simd));
    }
}
