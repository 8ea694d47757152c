//! What the maps hold that functions give: every field, with what it is. The unit of a field is the last unit in its name.
//! A test compares the fields with what is really given.

mod found;
mod judged;
mod other;
mod reading;
mod step;

pub use found::{BENCH, CLIP, FINDING, IDLE_STEP};
pub use judged::{BURST_ANSWER, CEILING, NAMEPLATE, RATING, RATING_RESULT};
pub use other::{NOISE_STEP, TWO_TONE_STEP};
pub use reading::READING;
pub use step::STEP;

/// A kind of map.
#[derive(Debug, PartialEq)]
pub struct Shape {
    /// Its name in the reference.
    pub name: &'static str,
    /// What it is.
    pub what: &'static str,
    /// What it holds.
    pub fields: &'static [Field],
}

/// One field.
#[derive(Debug, PartialEq)]
pub struct Field {
    /// Its name.
    pub name: &'static str,
    /// What it holds.
    pub holds: Holds,
    /// What it is.
    pub what: &'static str,
}

/// What a field holds.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Holds {
    /// A number.
    Number,
    /// A number, or `()` where it could not be told.
    MayNumber,
    /// A number, where there is one: the field is left out else.
    Sometimes,
    /// A whole number.
    Whole,
    /// A whole number, or `()`.
    MayWhole,
    /// A text.
    Text,
    /// A text; where a record leaves it out, this one.
    TextElse(&'static str),
    /// A text, or `()`.
    MayText,
    /// true or false.
    Flag,
    /// true or false, or `()`.
    MayFlag,
    /// A list of numbers.
    Numbers,
    /// A list of two numbers, or `()`.
    MayPair,
    /// A list of numbers, `()` among them.
    MayNumbers,
    /// A list of texts.
    Texts,
    /// A map.
    Map(&'static Shape),
    /// A map, or `()`.
    MayMap(&'static Shape),
    /// A list of maps.
    Maps(&'static Shape),
    /// A map that is not told here.
    Untold,
}

impl Holds {
    /// The shape of the maps it holds.
    pub fn shape(self) -> Option<&'static Shape> {
        match self {
            Holds::Map(shape) | Holds::MayMap(shape) | Holds::Maps(shape) => Some(shape),
            _ => None,
        }
    }
}

impl Shape {
    /// This one and all that it holds, in the order in which they are met, each once.
    pub fn with_inner(&'static self, known: &mut Vec<&'static Shape>) {
        if known.contains(&self) {
            return;
        }
        known.push(self);
        for field in self.fields {
            if let Some(inner) = field.holds.shape() {
                inner.with_inner(known);
            }
        }
    }
}

/// A field, told shortly.
const fn field(name: &'static str, holds: Holds, what: &'static str) -> Field {
    Field { name, holds, what }
}
