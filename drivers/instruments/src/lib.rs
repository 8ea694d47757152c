//! Typed instrument roles spoken through dialect files.
