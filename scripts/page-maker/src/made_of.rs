//! What a page was made of, as one number: the sources that go into it. Both the build script and the page's maker read it.

use std::path::{Path, PathBuf};

/// Where the page's code lies once it is made, from the repository's root. Not in `CARGO_TARGET_DIR`: the build script has to find it.
pub(crate) const FOLDER: &str = "target/page";
/// What goes into it.
const SOURCES: [&str; 5] = ["src", "assets", "scripts/page-maker", "Cargo.toml", "Cargo.lock"];
/// What of that does not: the edge, and what the program puts into a page itself.
const OTHERS: [&str; 6] = ["src/audio", "src/book", "src/cli", "src/files", "src/main.rs", "assets/page"];

fn files(root: &Path, place: &Path, out: &mut Vec<PathBuf>) {
    if OTHERS.iter().any(|other| root.join(other) == place) {
        return;
    }
    match std::fs::read_dir(place) {
        Ok(entries) => entries.flatten().for_each(|entry| files(root, &entry.path(), out)),
        Err(_) => out.push(place.to_owned()),
    }
}

/// A number over names and contents: FNV-1a, 64 bits (Fowler, Noll and Vo; RFC 9923).
pub(crate) fn made_of(root: &Path) -> String {
    let mut all = Vec::new();
    SOURCES.iter().for_each(|source| files(root, &root.join(source), &mut all));
    all.sort();
    let mut sum = 0xcbf2_9ce4_8422_2325_u64;
    for path in all {
        let name = path.strip_prefix(root).unwrap_or(&path).to_string_lossy().replace('\\', "/");
        // A name and its bytes are set off, so that nothing can move from one to the other.
        for byte in name.bytes().chain([0]).chain(std::fs::read(&path).unwrap_or_default()).chain([0]) {
            sum = (sum ^ u64::from(byte)).wrapping_mul(0x100_0000_01b3);
        }
    }
    format!("{sum:016x}")
}
