//! The target `script`, led by coverage.
#![no_main]

libfuzzer_sys::fuzz_target!(|bytes: &[u8]| wattproof_fuzz::targets::script::check(bytes));
