//! The text of a drill and two of its calls -> the text of a drill that brings these two in turn, slowly.

use super::parse;
use crate::units::Bpm;

/// Slowly: three quarters of the tempo (the usual first step back in teaching).
const SLOWLY: f64 = 0.75;
/// Each alone twice, then in turn: what differs is heard side by side.
const TURNS: [usize; 8] = [0, 0, 1, 1, 0, 1, 0, 1];

/// A drill file in which two calls of another come in turn, slowly; `None` if the text is no drill or has no such calls. The
/// hush pattern stays what it is.
pub fn side_by_side(text: &str, first: &str, second: &str) -> Option<String> {
    let drill = parse(text).ok()?;
    let mut table: toml::Table = text.parse().ok()?;
    let hush = &drill.calls[drill.hush].name;
    let title = format!("{}: {first} and {second}, slowly", drill.title);
    for key in ["rounds", "hush_every", "lures", "until_misses"] {
        table.remove(key);
    }
    table.insert("title".into(), title.into());
    let order: Vec<toml::Value> = TURNS.iter().map(|k| [first, second][*k].into()).collect();
    table.insert("order".into(), order.into());
    let calls = table.get_mut("calls")?.as_table_mut()?;
    calls.retain(|name, _| [first, second, hush.as_str()].contains(&name));
    for call in drill.calls.iter().filter(|c| c.name == first || c.name == second) {
        let slow = (call.bpm.get() * SLOWLY).max(Bpm::MIN);
        calls.get_mut(&call.name)?.as_table_mut()?.insert("bpm".into(), slow.into());
    }
    let both = [first, second].iter().all(|name| calls.contains_key(*name));
    both.then(|| toml::to_string(&table).ok()).flatten()
}
