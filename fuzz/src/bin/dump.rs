//! See `stonechat_fuzz::dump`.
#![no_main]

libfuzzer_sys::fuzz_target!(|data: &[u8]| stonechat_fuzz::dump(data));
