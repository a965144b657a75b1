//! Tells the program whether the pupil's page has been made from the sources it is built from. `scripts/page` makes it;
//! without it `hand-out` says how.

#[path = "page-maker/src/made_of.rs"]
mod made_of;

use std::path::PathBuf;

fn main() {
    // Where it runs, not where it was built: a copy of a build folder looks at its own sources.
    let root = PathBuf::from(std::env::var_os("CARGO_MANIFEST_DIR").unwrap_or_default());
    let folder = root.join(made_of::FOLDER);
    println!("cargo::rustc-check-cfg=cfg(page_made)");
    println!("cargo::rerun-if-env-changed=CARGO_MANIFEST_DIR");
    println!("cargo::rerun-if-changed=src");
    println!("cargo::rerun-if-changed=assets");
    println!("cargo::rerun-if-changed=scripts/page-maker");
    println!("cargo::rerun-if-changed={}", folder.join("made-of").display());
    if std::fs::read_to_string(folder.join("made-of")).is_ok_and(|made| made == made_of::made_of(&root)) {
        println!("cargo::rustc-cfg=page_made");
        println!("cargo::rustc-env=PAILBEAT_PAGE={}", folder.display());
    }
}
