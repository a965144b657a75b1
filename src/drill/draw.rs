//! Which call comes in which round: drawn from a seed, of equal difficulty for every seed.
//!
//! Every draw has the same number of hush rounds, of hush rounds on other surfaces and of lures, and its other rounds
//! rise in difficulty by the same steps; within a difficulty calls come equally often (but for what does not divide), in
//! an order of the seed's. Source of chance: xorshift128 (Marsaglia 2003, "Xorshift RNGs", J. Stat. Softw. 8(14)).

use rand_core::{Rng, SeedableRng};
use rand_xorshift::XorShiftRng;

use super::Drill;

/// What a round brings.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) struct Drawn {
    /// Index into the bank.
    pub(super) call: usize,
    /// By how many places the surfaces are moved on; 0: as written.
    pub(super) moved: usize,
}

/// The seed of a name, such as a nickname: FNV-1a of its bytes.
pub fn seed_of(name: &str) -> u64 {
    name.bytes().fold(0xcbf2_9ce4_8422_2325, |h, b| (h ^ u64::from(b)).wrapping_mul(0x0000_0100_0000_01b3))
}

struct Chance(XorShiftRng);

impl Chance {
    fn new(seed: u64) -> Chance {
        // Seeds that are near each other start far apart (finaliser of SplitMix64, Steele et al. 2014).
        let mix = |mut z: u64| {
            z = (z ^ (z >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
            z = (z ^ (z >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
            z ^ (z >> 31)
        };
        let mut bytes = [0; 16];
        bytes[..8].copy_from_slice(&mix(seed.wrapping_add(0x9e37_79b9_7f4a_7c15)).to_le_bytes());
        bytes[8..].copy_from_slice(&mix(seed.wrapping_add(0x3c6e_f372_fe94_f82a)).to_le_bytes());
        Chance(XorShiftRng::from_seed(bytes))
    }

    /// Below `n`, every number equally likely to one part in 2^32.
    fn below(&mut self, n: usize) -> usize {
        ((u128::from(self.0.next_u64()) * n as u128) >> 64) as usize
    }

    fn shuffle<T>(&mut self, x: &mut [T]) {
        for k in (1..x.len()).rev() {
            x.swap(k, self.below(k + 1));
        }
    }
}

/// Some calls, each equally often, `count` in all; which of them come once more is the seed's.
fn deal(calls: &[usize], count: usize, chance: &mut Chance) -> Vec<usize> {
    let mut out = Vec::with_capacity(count);
    while out.len() < count && !calls.is_empty() {
        let mut once = calls.to_vec();
        chance.shuffle(&mut once);
        once.truncate(count - out.len());
        out.extend(once);
    }
    out
}

/// All rounds in order.
pub(super) fn draw(drill: &Drill, seed: u64) -> Vec<Drawn> {
    if let Some(order) = &drill.order {
        return order.iter().map(|call| Drawn { call: *call, moved: 0 }).collect();
    }
    let mut chance = Chance::new(seed);
    let rounds = drill.rounds as usize;
    let hushes = (drill.hush_rounds as usize).min(rounds);
    let others = rounds - hushes;
    let of = |lure: bool| (0..drill.calls.len()).filter(move |k| *k != drill.hush && drill.calls[*k].lure == lure);
    let lures: Vec<usize> = of(true).collect();
    let mut plain: Vec<usize> = of(false).collect();
    if plain.is_empty() {
        plain.clone_from(&lures);
    }
    let nearly = if lures.is_empty() { 0 } else { (drill.nearly as usize).min(others) };
    // Rounds go to the difficulties in proportion to their calls, easy ones first.
    plain.sort_by_key(|k| (drill.calls[*k].difficulty, *k));
    let slots: Vec<u8> =
        (0..others - nearly).map(|s| drill.calls[plain[s * plain.len() / (others - nearly)]].difficulty).collect();
    let mut echoes = Vec::with_capacity(others);
    let mut from = 0;
    while from < slots.len() {
        let level = slots[from];
        let count = slots.iter().filter(|s| **s == level).count();
        let here: Vec<usize> = plain.iter().copied().filter(|k| drill.calls[*k].difficulty == level).collect();
        echoes.extend(deal(&here, count, &mut chance));
        from += count;
    }
    // Lures fall anywhere among the echoes, those of equal difficulty in every draw the same number.
    let mut lures_sorted = lures;
    lures_sorted.sort_by_key(|k| (drill.calls[*k].difficulty, *k));
    for s in 0..nearly {
        let lure = lures_sorted[s % lures_sorted.len()];
        let at = chance.below(echoes.len() + 1);
        echoes.insert(at, lure);
    }
    // Hush rounds fall anywhere, not first unless asked for.
    let first_free = usize::from(!drill.hush_first && others > 0);
    let mut places: Vec<usize> = (first_free..rounds).collect();
    chance.shuffle(&mut places);
    places.truncate(hushes);
    places.sort_unstable();
    let mut moved: Vec<usize> = (0..hushes).map(|k| usize::from(k < drill.elsewhere as usize)).collect();
    chance.shuffle(&mut moved);
    let (mut echoes, mut moved) = (echoes.into_iter(), moved.into_iter());
    (0..rounds)
        .map(|k| {
            if places.binary_search(&k).is_ok() {
                Drawn { call: drill.hush, moved: moved.next().unwrap_or(0) }
            } else {
                Drawn { call: echoes.next().unwrap_or(drill.hush), moved: 0 }
            }
        })
        .collect()
}
