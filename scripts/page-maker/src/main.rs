//! Builds what the pupil's page runs into `target/page`: the library for wasm32 (packed), and its bindings. `scripts/page`
//! runs this from the repository's root.

mod made_of;

use std::error::Error;
use std::io::Write as _;
use std::path::Path;
use std::process::Command;

use made_of::{FOLDER, made_of};

fn main() -> Result<(), Box<dyn Error>> {
    let root = Path::new(".");
    let of = made_of(root);
    let folder = root.join(FOLDER);
    if std::fs::read_to_string(folder.join("made-of")).is_ok_and(|made| made == of) {
        return Ok(());
    }
    std::fs::create_dir_all(&folder)?;
    // What is half made must not be taken for whole.
    let _ = std::fs::remove_file(folder.join("made-of"));
    let build = folder.join("build");
    let cargo = std::env::var_os("CARGO").unwrap_or_else(|| "cargo".into());
    let arguments =
        ["rustc", "--locked", "--release", "--lib", "--crate-type", "cdylib", "--target", "wasm32-unknown-unknown"];
    let built = Command::new(cargo)
        .args(arguments)
        .args(["--no-default-features", "--features", "page", "--target-dir"])
        .arg(&build)
        .env("CARGO_TARGET_WASM32_UNKNOWN_UNKNOWN_RUSTFLAGS", "-C target-feature=+simd128")
        .env("CARGO_PROFILE_RELEASE_LTO", "fat")
        .env("CARGO_PROFILE_RELEASE_CODEGEN_UNITS", "1")
        .env("CARGO_PROFILE_RELEASE_DEBUG", "false")
        .env("CARGO_PROFILE_RELEASE_PANIC", "abort")
        .status()?;
    if !built.success() {
        return Err(
            "the library could not be built for the page; `rustup target add wasm32-unknown-unknown` may be missing"
                .into(),
        );
    }
    let module = build.join("wasm32-unknown-unknown/release/pailbeat.wasm");
    wasm_bindgen_cli_support::Bindgen::new()
        .input_path(module)
        .no_modules(true)?
        .typescript(true)
        .remove_name_section(true)
        .remove_producers_section(true)
        .generate(&folder)?;
    let bound = folder.join("pailbeat_bg.wasm");
    // Not through `wasm-opt`: on top of this it takes a minute and saves one part in a hundred (npm's binaryen 132, -O3).
    let module = std::fs::read(bound)?;
    let mut packed = flate2::GzBuilder::new().write(Vec::new(), flate2::Compression::best());
    packed.write_all(&module)?;
    std::fs::write(folder.join("pailbeat.wasm.gz"), packed.finish()?)?;
    std::fs::write(folder.join("made-of"), of)?;
    Ok(())
}
