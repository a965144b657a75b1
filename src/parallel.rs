//! Work on many things at once, its results in order.

use std::collections::BTreeMap;
use std::sync::mpsc;

use rayon::prelude::*;

/// Results that may wait to be taken; more would only fill memory.
const AHEAD: usize = 8;

/// Does `work` on each item, as many at a time as there are processors, in order. `take` is given the results, in the order of
/// the items, each as soon as it is there; what it does not wait for is not begun any more.
pub(crate) fn in_order<T: Sync, R: Send, O>(
    items: &[T],
    work: impl Fn(&T) -> R + Sync,
    take: impl FnOnce(&mut dyn Iterator<Item = R>) -> O,
) -> O {
    let (send, receive) = mpsc::sync_channel(AHEAD);
    let work = &work;
    std::thread::scope(|scope| {
        scope.spawn(move || {
            // Sending fails where nobody listens any more: then the rest is left.
            let all = items.iter().enumerate().par_bridge();
            let _ = all.try_for_each_with(send, |send, (k, item)| send.send((k, work(item))));
        });
        let (mut early, mut due) = (BTreeMap::new(), 0);
        // Ends, and with it the listening, before the scope does.
        let mut next = std::iter::from_fn(move || {
            while !early.contains_key(&due) {
                let (k, result) = receive.recv().ok()?;
                early.insert(k, result);
            }
            due += 1;
            early.remove(&(due - 1))
        });
        take(&mut next)
    })
}

#[cfg(test)]
mod tests {
    use std::sync::atomic::{AtomicUsize, Ordering};

    use super::*;

    #[test]
    fn what_is_done_at_once_is_handed_over_in_order() {
        let items: Vec<u64> = (0..200).collect();
        // The first ones take longest.
        let slow = |k: &u64| {
            std::thread::sleep(std::time::Duration::from_micros(500 / (k + 1)));
            k * k
        };
        let squares: Vec<u64> = in_order(&items, slow, |all| all.collect());
        assert_eq!(squares, items.iter().map(|k| k * k).collect::<Vec<_>>());
        assert_eq!(in_order(&[] as &[u64], slow, |all| all.count()), 0);
    }

    #[test]
    fn what_nobody_waits_for_is_not_begun() {
        let begun = AtomicUsize::new(0);
        let count = |_: &u64| begun.fetch_add(1, Ordering::Relaxed);
        in_order(&vec![0; 10_000], count, |all| all.take(3).count());
        assert!(begun.into_inner() < 1000);
    }
}
