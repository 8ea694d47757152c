//! The cautions that anybody with a kilowatt on the bench is shown.

pub use wattproof_report::CAUTIONS;

/// Shown by `talk --help`: there nobody stands between a person and an output.
pub const TALK_CAUTIONS: &str = "\
Cautions. This is no guarded path: no limit is kept, nothing is measured, and
nothing is switched off on leaving, at an error or when a cable is pulled.
Switch outputs on only with a load connected, a current limit set and nobody
at the terminals; outputs above 30 V rms can injure. Clearing a protection can
switch an output on again. Switch everything off before you leave, and measure
that it is dead. Opening a serial port raises DTR and RTS, which resets some
devices and can close a contactor.";
