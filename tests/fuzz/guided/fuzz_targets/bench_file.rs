//! The target `bench_file`, led by coverage.
#![no_main]

libfuzzer_sys::fuzz_target!(|bytes: &[u8]| wattproof_fuzz::targets::bench_file::check(bytes));
