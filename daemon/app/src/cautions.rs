//! The cautions that anybody with a kilowatt on the bench is shown.

/// Shown by `--help` and before any run on ports; lines of at most 78 characters.
pub const CAUTIONS: &str = "\
Cautions. Outputs above 30 V rms can injure: never touch a live output. Dummy
loads and heatsinks burn skin and ignite paper. Fuse batteries close to the
positive post; vent them, cover terminals, take off jewellery, wear eye
protection. Both sides of a bridged output are live: a grounded probe shorts
it. Capacitors stay charged after switch-off. Loud tones harm hearing: use
dummy loads. This program is one layer only: fuses, the supply's own
protection and a contactor within reach come first. Local codes and licensed
practice come before this text.";

/// Shown by `talk --help`: there nobody stands between a person and an output.
pub const TALK_CAUTIONS: &str = "\
Cautions. This is no guarded path: no limit is kept, nothing is measured, and
nothing is switched off on leaving, at an error or when a cable is pulled.
Switch outputs on only with a load connected, a current limit set and nobody
at the terminals; outputs above 30 V rms can injure. Clearing a protection can
switch an output on again. Switch everything off before you leave, and measure
that it is dead. Opening a serial port raises DTR and RTS, which resets some
devices and can close a contactor.";
