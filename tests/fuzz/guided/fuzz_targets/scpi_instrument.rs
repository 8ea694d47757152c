//! The target `scpi_instrument`, led by coverage.
#![no_main]

libfuzzer_sys::fuzz_target!(|bytes: &[u8]| wattproof_fuzz::targets::scpi_instrument::check(bytes));
