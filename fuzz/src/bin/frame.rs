//! See `stonechat_fuzz::frame`.
#![no_main]

libfuzzer_sys::fuzz_target!(|data: &[u8]| stonechat_fuzz::frame(data));
