//! [`Part`] x [`Timeline`] -> plain text: the part as it will be played, with its counts.

use super::{Part, Timeline};

/// The form bar by bar.
pub fn played(_part: &Part, timeline: &Timeline) -> String {
    timeline.title.clone()
}
