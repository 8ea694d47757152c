//! The wire language of IEEE 488.2 and SCPI-1999, both ends, without I/O.
