//! End-to-end tests, outside checks and house rules.

pub mod figure;
