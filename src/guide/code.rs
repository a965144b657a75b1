//! The signs of a guide's sounds: a fixed sequence of +1 and -1 that nobody hears.
//!
//! A sound and its upside-down twin sound the same, but a recording that is multiplied by the sequence adds up only where
//! the sequence fits: each sound is named by its neighbours, a pupil exactly in tempo does not add up, and what a
//! loudspeaker distorts without regard to sign averages out.
//!
//! Source: maximum-length sequence of the primitive polynomial `x^10 + x^7 + 1` (Golomb, "Shift Register Sequences"):
//! every window of ten signs occurs once in a period, and the sequence is orthogonal (to 1/1023) to itself shifted.

/// Signs before the sequence repeats.
pub const PERIOD: usize = 1023;

/// Ten signs to begin with; any but all zeros give the same sequence, elsewhere in it.
const SEED: u16 = 0b01_0110_1001;

/// The whole sequence once.
pub fn signs() -> [i8; PERIOD] {
    let mut register = SEED;
    let mut out = [0; PERIOD];
    for sign in &mut out {
        *sign = if register & 0x200 != 0 { 1 } else { -1 };
        let fed = (register >> 9 ^ register >> 6) & 1;
        register = (register << 1 | fed) & 0x3ff;
    }
    out
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_sequence_is_orthogonal_to_itself_shifted() {
        let signs = signs();
        for shift in 0..PERIOD {
            let sum: i32 = (0..PERIOD).map(|k| i32::from(signs[k]) * i32::from(signs[(k + shift) % PERIOD])).sum();
            assert_eq!(sum, if shift == 0 { 1023 } else { -1 }, "shifted by {shift}");
        }
    }
}
