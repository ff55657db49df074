//! See `stonechat_fuzz::csv`.
#![no_main]

libfuzzer_sys::fuzz_target!(|data: &[u8]| stonechat_fuzz::csv(data));
