//! Limits, trips and the safe state, as a pure state machine.
