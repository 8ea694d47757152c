//! The target `scpi_controller`, led by coverage.
#![no_main]

libfuzzer_sys::fuzz_target!(|bytes: &[u8]| wattproof_fuzz::targets::scpi_controller::check(bytes));
