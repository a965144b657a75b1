//! How the house is built, read from its own source: a step imports only steps above it in the list of `lib.rs`, and no two
//! files import one another, but for a module and its own parts.
#![allow(clippy::unwrap_used)] // a test may fail where it stands

use std::collections::{BTreeMap, BTreeSet};
use std::path::Path;

/// A module that has a file: its name, `a::b`, and the file's text without comments and unit tests.
type House = BTreeMap<String, String>;
/// Which modules each module imports from, and what.
type Arrows = BTreeMap<String, BTreeMap<String, BTreeSet<String>>>;

fn read(folder: &Path, module: &str, house: &mut House) {
    for entry in std::fs::read_dir(folder).unwrap() {
        let path = entry.unwrap().path();
        let name = path.file_stem().unwrap().to_str().unwrap().to_owned();
        let inside = if module.is_empty() { name.clone() } else { format!("{module}::{name}") };
        if name == "tests" || name == "main" || name == "telling" {
            continue;
        }
        if path.is_dir() {
            read(&path, &inside, house);
        } else if path.extension().is_some_and(|e| e == "rs") {
            let text = std::fs::read_to_string(&path).unwrap();
            let text = text.split("\n#[cfg(test)]\nmod ").next().unwrap();
            let plain = text.lines().map(|l| l.split("//").next().unwrap()).collect::<Vec<_>>().join("\n");
            house.insert(if name == "mod" || name == "lib" { module.to_owned() } else { inside }, plain);
        }
    }
}

/// The paths of a `use`, its braces opened: `a::{b, c::d}` gives `a::b` and `a::c::d`.
fn opened(path: &str) -> Vec<String> {
    let Some((before, rest)) = path.split_once('{') else {
        return vec![path.split(" as ").next().unwrap().trim().to_owned()];
    };
    let (mut depth, mut parts) = (0, vec![String::new()]);
    for c in rest[..rest.rfind('}').unwrap()].chars() {
        depth += i32::from(c == '{') - i32::from(c == '}');
        if c == ',' && depth == 0 {
            parts.push(String::new());
        } else {
            parts.last_mut().unwrap().push(c);
        }
    }
    let parts = parts.iter().filter(|p| !p.trim().is_empty());
    parts.flat_map(|p| opened(&format!("{}{}", before.trim(), p.trim()))).collect()
}

fn uses(text: &str) -> Vec<String> {
    let statements = text.split(';').filter_map(|s| {
        let (head, path) = s.split_once("use ")?;
        let head = head.lines().last().unwrap_or_default().trim();
        (head.is_empty() || head.starts_with("pub")).then_some(path)
    });
    statements.flat_map(|path| opened(&path.split_whitespace().collect::<Vec<_>>().join(" "))).collect()
}

/// Paths that are written out where they are used.
fn inline(text: &str) -> Vec<String> {
    let starts = ["crate::", "super::"].iter().flat_map(|start| text.match_indices(start).map(|(at, _)| at));
    let whole = starts.filter(|at| !text[..*at].ends_with("::"));
    whole
        .map(|at| {
            let end =
                text[at..].find(|c: char| !c.is_alphanumeric() && c != '_' && c != ':').map_or(text.len(), |n| at + n);
            text[at..end].trim_end_matches(':').to_owned()
        })
        .collect()
}

/// Whether a module's own file says what this name is.
fn defines(text: &str, name: &str) -> bool {
    let kinds = ["fn", "struct", "enum", "trait", "type", "const", "static"];
    kinds.iter().any(|kind| {
        let said = format!("{kind} {name}");
        text.match_indices(&said)
            .any(|(at, _)| text[at + said.len()..].chars().next().is_none_or(|c| !c.is_alphanumeric() && c != '_'))
    })
}

/// The module whose file says what a path means, and the name there; through what others hand on.
fn found(house: &House, module: &str, path: &str, deep: usize) -> Option<(String, String)> {
    let mut at: Vec<&str> = if module.is_empty() { Vec::new() } else { module.split("::").collect() };
    let mut rest: Vec<&str> = path.split("::").map(str::trim).collect();
    match *rest.first()? {
        "crate" => (at, rest) = (Vec::new(), rest[1..].to_vec()),
        "self" => rest = rest[1..].to_vec(),
        "super" => {
            while rest.first() == Some(&"super") {
                at.pop();
                rest.remove(0);
            }
        }
        own if house.contains_key(&[at.as_slice(), &[own]].concat().join("::")) => {}
        _ => return None,
    }
    while let Some(next) = rest.first().filter(|n| house.contains_key(&[at.as_slice(), &[**n]].concat().join("::"))) {
        at.push(next);
        rest.remove(0);
    }
    let (module, name) = (at.join("::"), (*rest.first()?).to_owned());
    let text = &house[&module];
    if deep > 8 || defines(text, &name) {
        return Some((module, name));
    }
    let handed_on = uses(text).into_iter().find(|u| u.rsplit("::").next() == Some(name.as_str()));
    handed_on.and_then(|u| found(house, &module, &u, deep + 1)).or(Some((module, name)))
}

fn arrows(house: &House) -> Arrows {
    let mut out = Arrows::new();
    for (module, text) in house {
        for path in uses(text).into_iter().chain(inline(text)) {
            let Some((of, name)) = found(house, module, &path, 0) else { continue };
            let part = of.strip_prefix(module.as_str()).is_some_and(|rest| rest.starts_with("::") || module.is_empty());
            if of != *module && !of.is_empty() && !part {
                out.entry(module.clone()).or_default().entry(of).or_default().insert(name);
            }
        }
    }
    out
}

fn house() -> House {
    let mut house = House::new();
    read(&Path::new(env!("CARGO_MANIFEST_DIR")).join("src"), "", &mut house);
    house
}

#[test]
fn a_step_imports_only_steps_above_it() {
    let page = std::fs::read_to_string(Path::new(env!("CARGO_MANIFEST_DIR")).join("src/lib.rs")).unwrap();
    let rows = page.lines().filter(|l| l.starts_with("//! | ") && l.contains('`'));
    let order: Vec<&str> = rows.filter_map(|l| l.split('`').nth(1)).collect();
    assert!(order.len() > 20, "{order:?}");
    let place = |module: &str| order.iter().position(|m| *m == module.split("::").next().unwrap());
    let mut seen = 0;
    for (module, of) in arrows(&house()) {
        for (other, names) in of {
            let (Some(here), Some(there)) = (place(&module), place(&other)) else { continue };
            assert!(there <= here, "{module} stands above {other} in lib.rs and takes {names:?} from it");
            seen += 1;
        }
    }
    assert!(seen > 500, "{seen}");
}

#[test]
fn no_two_files_import_one_another() {
    let arrows = arrows(&house());
    // Whoever imports nobody of those left is in no circle, and whom nobody left imports neither.
    let mut left: BTreeSet<&String> = arrows.keys().collect();
    loop {
        let to = |of: &String| left.contains(of);
        let from: BTreeSet<&String> = left.iter().flat_map(|m| arrows[*m].keys()).collect();
        let free: Vec<&String> =
            left.iter().copied().filter(|m| !from.contains(m) || !arrows[*m].keys().any(to)).collect();
        if free.is_empty() {
            break;
        }
        left.retain(|m| !free.contains(m));
    }
    let tied = |m: &&String| {
        arrows[*m].iter().filter(|(of, _)| left.contains(of)).map(|(of, n)| format!("{of} {n:?}")).collect::<Vec<_>>()
    };
    let told: Vec<String> = left.iter().map(|m| format!("{m} -> {}", tied(m).join(", "))).collect();
    assert!(left.is_empty(), "in a circle:\n{}", told.join("\n"));
}

#[test]
fn names_are_followed_to_where_they_are_said() {
    let house: House = [
        ("", "pub mod a;"),
        ("a", "mod b; pub use b::Thing; fn own() {}"),
        ("a::b", "pub struct Thing;"),
        ("c", "use crate::a::{Thing, own}; fn f() { super::a::own() }"),
    ]
    .map(|(m, t)| (m.to_owned(), t.to_owned()))
    .into();
    let names = |s: &[&str]| s.iter().map(|n| (*n).to_owned()).collect::<BTreeSet<_>>();
    let c: BTreeMap<_, _> = [("a".to_owned(), names(&["own"])), ("a::b".to_owned(), names(&["Thing"]))].into();
    assert_eq!(arrows(&house), [("c".to_owned(), c)].into());
    assert_eq!(opened("a::{b, c::{d, e as f}}"), ["a::b", "a::c::d", "a::c::e"]);
}
