//! Command line of Wattproof.
fn main() {}
