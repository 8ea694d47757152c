//! The cautions that anybody with a kilowatt on the bench is shown: by `--help`, before a run, in a report, on the page.

/// Lines of at most 78 characters.
pub const CAUTIONS: &str = "\
Cautions. Outputs above 30 V rms can injure: never touch a live output. Dummy
loads and heatsinks burn skin and ignite paper. Fuse batteries close to the
positive post; vent them, cover terminals, take off jewellery, wear eye
protection. Both sides of a bridged output are live: a grounded probe shorts
it. Capacitors stay charged after switch-off. Loud tones harm hearing: use
dummy loads. This program is one layer only: fuses, the supply's own
protection and a contactor within reach come first. Local codes and licensed
practice come before this text.";
