//! Fields that a record leaves out where they are empty: a script sees them all the same.

use serde_json::{Map, Value};

use super::super::call::Call;
use super::check::meant;
use super::{Gives, Holds, Shape};

/// An answer with every field that its shape always has.
pub fn complete(call: &Call, mut answer: Value) -> Value {
    if let Ok(Gives::Map(shape) | Gives::Maps(shape, _)) = meant(call).map(|function| function.gives) {
        fill(shape, &mut answer);
    }
    answer
}

fn fill(shape: &Shape, value: &mut Value) {
    match value {
        Value::Object(map) => fill_map(shape, map),
        Value::Array(items) => items.iter_mut().for_each(|item| fill(shape, item)),
        _ => {}
    }
}

fn fill_map(shape: &Shape, map: &mut Map<String, Value>) {
    for field in shape.fields {
        if let Some(present) = map.get_mut(field.name) {
            if let Some(inner) = field.holds.shape() {
                fill(inner, present);
            }
        } else if let Some(empty) = empty(field.holds) {
            map.insert(field.name.into(), empty);
        }
    }
}

/// What a field is that was left out.
fn empty(holds: Holds) -> Option<Value> {
    match holds {
        Holds::MayNumber
        | Holds::MayWhole
        | Holds::MayText
        | Holds::MayFlag
        | Holds::MayPair
        | Holds::MayMap(_) => Some(Value::Null),
        Holds::Numbers | Holds::MayNumbers | Holds::Texts | Holds::Maps(_) => Some(Value::Array(Vec::new())),
        Holds::TextElse(usual) => Some(usual.into()),
        Holds::Flag => Some(false.into()),
        _ => None,
    }
}
