//! Simulated instruments and amplifier physics on pseudo-terminals.
