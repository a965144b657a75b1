//! A recording that can be opened as often as it is needed -> a sound for [`crate::chain`], and what is to be said of the
//! recording itself.

use crate::audio::{AudioError, Facts, Source};
use crate::chain::{Go, Notice, Sound};
use crate::units::{EAR_RATE, SampleRate, Seconds};

/// A recording in a file, an archive or memory.
pub struct Recording<F> {
    open: F,
    facts: Option<Facts>,
}

impl<F: Fn() -> Result<Source, AudioError>> Recording<F> {
    /// `open` gives it from its beginning.
    pub fn new(open: F) -> Recording<F> {
        Recording { open, facts: None }
    }

    /// What it can be trusted for, once it has been played.
    pub fn facts(&self) -> Option<&Facts> {
        self.facts.as_ref()
    }
}

impl<F: Fn() -> Result<Source, AudioError>> Sound for Recording<F> {
    type Error = AudioError;

    fn rate(&self) -> SampleRate {
        EAR_RATE
    }

    fn play(&mut self, each: &mut dyn FnMut(&[f32], Option<f64>) -> Go) -> Result<(), AudioError> {
        let mut source = (self.open)()?;
        let length = source.info().length.map(|l| l.get() * f64::from(EAR_RATE.get())).filter(|l| *l > 0.0);
        let (mut block, mut given) = (Vec::new(), 0);
        while source.next_block(&mut block)? {
            given += block.len();
            if each(&block, length.map(|all| (given as f64 / all).min(1.0))).is_break() {
                return Ok(());
            }
        }
        self.facts = Some(source.facts().clone());
        Ok(())
    }

    fn notices(&self) -> Vec<Notice> {
        self.facts.as_ref().map(notices).unwrap_or_default()
    }

    fn lost(&self) -> Vec<(Seconds, Seconds)> {
        self.facts.as_ref().map(|facts| facts.holes.clone()).unwrap_or_default()
    }
}

fn notices(facts: &Facts) -> Vec<Notice> {
    let ms = |at: Seconds| at.millis().round().max(0.0) as u64;
    // Holes that the file itself tells of are seen in the samples too.
    let dropouts = facts.dropouts.saturating_sub(u32::try_from(facts.holes.len()).unwrap_or(u32::MAX));
    let told: u64 = facts.holes.iter().map(|(from, to)| ms(*to - *from)).sum();
    let lost = (dropouts > 0).then(|| Notice::LostSound(dropouts, ms(facts.dropped).saturating_sub(told)));
    let holes = facts.holes.iter().map(|(from, to)| (ms(*from), ms(*to))).collect();
    let missing = (!facts.holes.is_empty()).then_some(Notice::Missing(holes));
    let early = facts.truncated.clone().map(Notice::EndsEarly);
    let silent = facts.flat.then_some(Notice::NoSound);
    let broken = (facts.not_numbers > 0).then_some(Notice::NotNumbers(facts.not_numbers));
    [early, silent, lost, missing, broken].into_iter().flatten().collect()
}
