//! One unit among others of its model, and beside one that is known to be good.
//!
//! **In:** one quantity's values of the other units, and that of the unit under test, all in one unit and at the same
//! conditions. **Out:** how the others spread, where the unit stands among them, whether it stands apart; and whether two
//! measurements differ by more than their uncertainties. **Called by:** whoever reads the catalogue. The caller leaves the
//! unit under test out of the others, its earlier runs too: a unit must not vouch for itself.

mod difference;
mod place;
mod spread;

pub use difference::{Difference, difference};
pub use place::{OUTLIER_SCORE, Place, Standing, UNITS_MIN, place};
pub use spread::{MAD_SCALE, Spread, spread};
