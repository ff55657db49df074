//! See `stonechat_fuzz::record`.
#![no_main]

libfuzzer_sys::fuzz_target!(|data: &[u8]| stonechat_fuzz::record(data));
