//! The functions a script can call, on the daemon's side.

use std::time::Duration;

use serde::Serialize;
use serde::de::DeserializeOwned;
use serde_json::Value;

use super::api::check;
use super::arguments::{Arguments, number};
use super::call::Call;
use super::facts;
use crate::stage::Stage;
use crate::{Driven, Event, Nameplate, NotMeasured, Rating, RunError};

/// A host call that makes no sense.
pub fn call(error: String) -> RunError {
    RunError::Call(error)
}

/// Carries out a call on the stage.
pub fn carry_out(stage: &mut Stage, asked: &Call) -> Result<Value, RunError> {
    check(asked).map_err(call)?;
    let given = asked.arguments.as_slice();
    match (asked.name.as_str(), given) {
        ("param", _) => stage.asked.answer(asked).map_err(call),
        ("source", [map]) => source(stage, map),
        ("load", [map]) => load(stage, map),
        ("supply", [map]) => supply(stage, map),
        ("digitizer", [map]) => digitizer(stage, map),
        ("heatsink", []) => Ok(stage.bench.heatsink_c()?.into()),
        ("rest_load", [map]) => rest_load(stage, map),
        ("settle", []) => done(stage.bench.settle()),
        ("settle" | "sleep", [seconds]) => wait(stage, &asked.name, seconds),
        ("plan_steps", [steps]) => plan_steps(stage, steps),
        ("nameplate", []) => nameplate(&stage.nameplate, &stage.left_out),
        ("capture", []) => {
            let step = stage.capture("capture")?;
            Ok(facts::step(stage, &step))
        }
        ("capture", [purpose]) => {
            let purpose = purpose.as_str().ok_or_else(|| call("capture() takes a text".into()))?;
            let step = stage.capture(purpose)?;
            Ok(facts::step(stage, &step))
        }
        ("capture_at", [map]) => capture_at(stage, map),
        ("find_ceiling", [rating]) => {
            let (number, claim) = rating_of(rating)?;
            let ceiling = crate::ceiling::find_ceiling(stage, number, &claim)?;
            Ok(facts::ceiling(stage, &ceiling))
        }
        ("record", [Value::String(name), value]) => {
            stage.journal("note", &serde_json::json!({ "name": name, "value": value }))?;
            Ok(Value::Null)
        }
        ("record", [rating, ceiling]) => record(stage, rating, ceiling),
        ("finding", [map]) => super::findings::finding(stage, map),
        ("bench_time_s", []) => Ok(stage.bench.now_s().into()),
        ("random", []) => Ok(stage.chance.draw().into()),
        _ => facts::carry_out(stage, asked),
    }
}

/// A result as scripts see it.
pub fn answer<T: Serialize>(value: &T) -> Result<Value, RunError> {
    serde_json::to_value(value).map_err(|error| call(error.to_string()))
}

/// Nothing to tell.
pub fn done(result: Result<(), RunError>) -> Result<Value, RunError> {
    result.map(|()| Value::Null)
}

fn source(stage: &mut Stage, map: &Value) -> Result<Value, RunError> {
    let arguments = Arguments::of("source", map).map_err(call)?;
    let on = arguments.flag("on").map_err(call)?;
    if on == Some(false) {
        stage.switch_source(false)?;
    }
    match arguments.word("driven").map_err(call)?.as_deref() {
        None => {}
        Some(word) => {
            let unknown =
                || call(format!("source() takes driven: \"all\", \"one\" or \"bridged\", not \"{word}\""));
            stage.set_driven(Driven::of_word(word).ok_or_else(unknown)?)?;
        }
    }
    if let Some(hz) = arguments.number("hz").map_err(call)? {
        stage.bench.set_frequency(hz)?;
        stage.now.hz = Some(hz);
    }
    let dbv = arguments.number("level_dbv").map_err(call)?.map(|dbv| 10f64.powf(dbv / 20.0));
    let vrms = arguments.number("level_vrms").map_err(call)?;
    if dbv.is_some() && vrms.is_some() {
        return Err(call("source() takes level_vrms or level_dbv, not both".into()));
    }
    if let Some(level_vrms) = vrms.or(dbv) {
        stage.rest_for(level_vrms, 1.0, 0.0)?;
        stage.set_level(level_vrms)?;
    }
    if on == Some(true) {
        stage.switch_source(true)?;
    }
    Ok(Value::Null)
}

fn load(stage: &mut Stage, map: &Value) -> Result<Value, RunError> {
    let arguments = Arguments::of("load", map).map_err(call)?;
    if let Some(load_ohm) = arguments.number("ohm").map_err(call)? {
        stage.set_load(load_ohm)?;
    }
    Ok(Value::Null)
}

fn rest_load(stage: &mut Stage, map: &Value) -> Result<Value, RunError> {
    let arguments = Arguments::of("rest_load", map).map_err(call)?;
    let needed = |name: &str| -> Result<f64, RunError> {
        let value = arguments.number(name).map_err(call)?;
        value
            .filter(|value| *value >= 0.0)
            .ok_or_else(|| call(format!("rest_load() needs {name}, 0 or more")))
    };
    let (level_vrms, seconds) = (needed("level_vrms")?, needed("seconds")?);
    if stage.bench.file().load.duty().is_none() {
        return Ok(seconds.into());
    }
    Ok(stage.rest_load(level_vrms, 1.0, seconds)?.min(seconds).into())
}

fn supply(stage: &mut Stage, map: &Value) -> Result<Value, RunError> {
    let arguments = Arguments::of("supply", map).map_err(call)?;
    let on = arguments.flag("on").map_err(call)?;
    if on == Some(false) {
        stage.switch_supply(false)?;
    }
    if let Some(limit_a) = arguments.number("limit_a").map_err(call)? {
        stage.bench.set_supply_limit(limit_a)?;
    }
    if let Some(volts_v) = arguments.number("volts_v").map_err(call)? {
        stage.bench.set_supply(volts_v)?;
        stage.now.supply_v = Some(volts_v);
    }
    if on == Some(true) && !stage.now.supply_on {
        stage.switch_supply(true)?;
    }
    Ok(Value::Null)
}

fn digitizer(stage: &mut Stage, map: &Value) -> Result<Value, RunError> {
    let arguments = Arguments::of("digitizer", map).map_err(call)?;
    if let Some(samples) = arguments.number("samples").map_err(call)? {
        stage.bench.set_samples(samples.round() as usize)?;
    }
    Ok(Value::Null)
}

fn wait(stage: &mut Stage, name: &str, seconds: &Value) -> Result<Value, RunError> {
    let seconds = number(name, "seconds", seconds).map_err(call)?;
    let length = Duration::try_from_secs_f64(seconds)
        .map_err(|_| call(format!("{name}() can't wait {seconds} seconds")))?;
    done(stage.bench.wait(length))
}

fn capture_at(stage: &mut Stage, map: &Value) -> Result<Value, RunError> {
    let arguments = Arguments::of("capture_at", map).map_err(call)?;
    let purpose = arguments.word("purpose").map_err(call)?;
    let levels_vrms = arguments.numbers("levels_vrms").map_err(call)?;
    let levels_vrms =
        levels_vrms.ok_or_else(|| call("capture_at() needs levels_vrms, a list of levels".into()))?;
    let steps = stage.capture_at(&levels_vrms, purpose.as_deref().unwrap_or("capture"))?;
    Ok(facts::steps(stage, &steps))
}

fn plan_steps(stage: &Stage, steps: &Value) -> Result<Value, RunError> {
    stage.tell(&Event::Planned(number("plan_steps", "count", steps).map_err(call)? as u64));
    Ok(Value::Null)
}

/// The nameplate as scripts see it; what this bench can't serve is recorded already, with its reason.
pub fn nameplate(plate: &Nameplate, left_out: &[NotMeasured]) -> Result<Value, RunError> {
    let mut told = answer(plate)?;
    let map = told.as_object_mut().ok_or_else(|| call("the nameplate is no map".into()))?;
    let mut ratings = map.remove("rating").unwrap_or_default();
    for (rating, number) in ratings.as_array_mut().into_iter().flatten().zip(1u64..) {
        if let Some(rating) = rating.as_object_mut() {
            rating.insert("number".into(), number.into());
        }
    }
    if let Some(ratings) = ratings.as_array_mut() {
        let mut number = 0;
        ratings.retain(|_| {
            number += 1;
            !left_out.iter().any(|one| one.rating == number)
        });
    }
    map.insert("ratings".into(), ratings);
    Ok(told)
}

fn record(stage: &mut Stage, rating: &Value, ceiling: &Value) -> Result<Value, RunError> {
    let (number, _) = rating_of(rating)?;
    stage.rating = Some(number);
    let ceiling = from(ceiling)
        .map_err(|error| call(format!("record() needs the answer of find_ceiling() unchanged: {error}")))?;
    answer(&stage.judge(ceiling)?)
}

fn from<T: DeserializeOwned>(value: &Value) -> Result<T, serde_json::Error> {
    serde_json::from_value(value.clone())
}

/// The rating that a script hands back, as the nameplate gave it.
fn rating_of(given: &Value) -> Result<(usize, Rating), RunError> {
    let hint = "it needs a rating as nameplate().ratings gives it";
    let mut map = given.as_object().cloned().ok_or_else(|| call(format!("this is no rating: {hint}")))?;
    let number = map.remove("number").and_then(|number| number.as_u64());
    let number = number.and_then(|number| usize::try_from(number).ok()).filter(|number| *number > 0);
    let number = number.ok_or_else(|| call(format!("the rating has no number: {hint}")))?;
    let claim =
        from(&Value::Object(map)).map_err(|error| call(format!("rating {number}: {error}: {hint}")))?;
    Ok((number, claim))
}
