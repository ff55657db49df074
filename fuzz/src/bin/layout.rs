//! See `stonechat_fuzz::layout`.
#![no_main]

libfuzzer_sys::fuzz_target!(|data: &[u8]| stonechat_fuzz::layout(data));
