//! Byte links to instruments: serial port, TCP, in-process pipe.
