//! End-to-end tests, outside checks and house rules.
