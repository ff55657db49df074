//! See `stonechat_fuzz::config`.
#![no_main]

libfuzzer_sys::fuzz_target!(|data: &[u8]| stonechat_fuzz::config(data));
