//! A recording that may hold a guide -> what is heard in it beside the guide.

use crate::audio::{AudioError, Facts, Source};
use crate::chain::{self, Take};
use crate::guide::Guide;
use crate::holes;
use crate::leak::Low;

/// Hears a recording and what is to be said of it as a recording.
///
/// # Errors
/// If it is none.
pub fn hear(mut source: Source) -> Result<(Take, Facts), AudioError> {
    let take = chain::hear(|block| source.next_block(block))?;
    Ok(with_facts(take, &source))
}

/// Where the file lost sound nothing was heard.
fn with_facts(mut take: Take, source: &Source) -> (Take, Facts) {
    let facts = source.facts().clone();
    holes::unheard(&facts.holes, &mut take.heard.audibility);
    (take, facts)
}

/// As [`hear`], and looks for one of some guides, which is then taken out. `open`: gives the recording from its beginning.
/// `expected`: one is thought to be there.
///
/// # Errors
/// If it is none.
pub fn hear_guided(
    open: impl Fn() -> Result<Source, AudioError>,
    guides: &[Guide],
    expected: bool,
) -> Result<(Take, Facts), AudioError> {
    if guides.is_empty() {
        return hear(open()?);
    }
    let mut source = open()?;
    let (take, low) = if expected {
        let (mut low, mut block) = (Low::new(), Vec::new());
        while source.next_block(&mut block)? {
            low.push(&block);
        }
        (None, low.finish())
    } else {
        let (take, low) = chain::hear_with_low(|block| source.next_block(block))?;
        (Some(take), low)
    };
    let Some((which, lock)) = chain::find_guide(guides, &low) else {
        return match take {
            Some(take) => Ok(with_facts(take, &source)),
            None => hear(open()?),
        };
    };
    let mut source = open()?;
    let samples = source.read_to_end()?;
    Ok(with_facts(chain::hear_without(&samples, &guides[which], &lock), &source))
}
