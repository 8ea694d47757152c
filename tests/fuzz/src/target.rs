//! What is fuzzed, by name.

use crate::targets;

/// A reader of bytes under test.
#[derive(Debug, Clone, Copy)]
pub struct Target {
    /// Its name, which is also the folder of its corpus.
    pub name: &'static str,
    /// Tries one input. Panics if a property does not hold; must otherwise end soon, within bounded memory.
    pub check: fn(&[u8]),
    /// Words of its language, which the mutator puts into inputs.
    pub words: &'static [&'static str],
    /// Shipped files that are inputs as they stand: folder from the root of the project, extension.
    pub shipped: &'static [(&'static str, &'static str)],
}

/// All targets.
pub const TARGETS: [Target; 14] = [
    targets::scpi_instrument::TARGET,
    targets::scpi_controller::TARGET,
    targets::blocks::TARGET,
    targets::journal::TARGET,
    targets::captures::TARGET,
    targets::bench_file::TARGET,
    targets::nameplate::TARGET,
    targets::dialect::TARGET,
    targets::amplifier::TARGET,
    targets::wav::TARGET,
    targets::csv::TARGET,
    targets::script::TARGET,
    targets::ratings::TARGET,
    targets::run_folder::TARGET,
];

/// The target of that name.
pub fn named(name: &str) -> Option<Target> {
    TARGETS.into_iter().find(|target| target.name == name)
}
