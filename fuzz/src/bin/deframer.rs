//! See `stonechat_fuzz::deframer`.
#![no_main]

libfuzzer_sys::fuzz_target!(|data: &[u8]| stonechat_fuzz::deframer(data));
