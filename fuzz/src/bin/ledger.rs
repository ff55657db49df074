//! See `stonechat_fuzz::ledger`.
#![no_main]

libfuzzer_sys::fuzz_target!(|data: &[u8]| stonechat_fuzz::ledger(data));
