//! Ceiling search, cause, uncertainty and verdict, without I/O.
