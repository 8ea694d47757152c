//! The target `run_folder`, led by coverage.
#![no_main]

libfuzzer_sys::fuzz_target!(|bytes: &[u8]| wattproof_fuzz::targets::run_folder::check(bytes));
