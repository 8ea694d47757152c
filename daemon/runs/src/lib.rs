//! Script host, steps, journal and records of a run.
