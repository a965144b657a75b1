#![no_main]

#[path = "../claims.rs"]
mod claims;

libfuzzer_sys::fuzz_target!(|data: &[u8]| claims::score(data));
