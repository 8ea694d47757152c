//! The functions a script can call.

use std::sync::Arc;
use std::time::Duration;

use rhai::{Array, Dynamic, Engine, EvalAltResult, Map, NativeCallContext};
use serde::Serialize;

use super::arguments::{Arguments, number};
use super::parking::{SharedStage, keep_failure, lock};
use crate::stage::Stage;
use crate::{Driven, Event, Rating, RunError};

/// What a host function answers.
pub type Answer<T> = Result<T, Box<EvalAltResult>>;

/// Runs `work` on the stage; a failure becomes a script error at the place of the call.
pub fn on_stage<T>(
    context: &NativeCallContext<'_>,
    shared: &SharedStage,
    work: impl FnOnce(&mut Stage) -> Result<T, RunError>,
) -> Answer<T> {
    let done = work(&mut lock(shared).stage);
    done.map_err(|error| {
        let text = keep_failure(shared, error);
        EvalAltResult::ErrorRuntime(text.into(), context.call_position()).into()
    })
}

/// A host call that makes no sense.
pub fn call(error: String) -> RunError {
    RunError::Call(error)
}

/// What a script prints goes to the watching person.
pub fn printed(shared: &SharedStage, text: &str) {
    lock(shared).stage.tell(&Event::Printed(text));
}

/// Registers every host function on an engine.
pub fn register(engine: &mut Engine, stage: &SharedStage) {
    register_setters(engine, stage);
    register_waits(engine, stage);
    register_results(engine, stage);
    super::drives::register(engine, stage);
    engine.register_fn("db_to_ratio", |db: f64| 10f64.powf(db / 20.0));
}

fn register_setters(engine: &mut Engine, stage: &SharedStage) {
    let shared = Arc::clone(stage);
    engine.register_fn("source", move |context: NativeCallContext, map: Map| -> Answer<()> {
        on_stage(&context, &shared, |stage| source(stage, map))
    });
    let shared = Arc::clone(stage);
    engine.register_fn("load", move |context: NativeCallContext, map: Map| -> Answer<()> {
        on_stage(&context, &shared, |stage| {
            let arguments = Arguments::new("load", map, &["ohm"]).map_err(call)?;
            if let Some(load_ohm) = arguments.number("ohm").map_err(call)? {
                stage.bench.set_load(load_ohm)?;
                stage.now.load_ohm = Some(load_ohm);
            }
            Ok(())
        })
    });
    let shared = Arc::clone(stage);
    engine.register_fn("supply", move |context: NativeCallContext, map: Map| -> Answer<()> {
        on_stage(&context, &shared, |stage| supply(stage, map))
    });
    let shared = Arc::clone(stage);
    engine.register_fn("digitizer", move |context: NativeCallContext, map: Map| -> Answer<()> {
        on_stage(&context, &shared, |stage| {
            let arguments = Arguments::new("digitizer", map, &["samples"]).map_err(call)?;
            if let Some(samples) = arguments.number("samples").map_err(call)? {
                if !(256.0..=4e6).contains(&samples) {
                    return Err(call(format!("digitizer() takes 256 to 4000000 samples, not {samples}")));
                }
                stage.bench.set_samples(samples as usize)?;
            }
            Ok(())
        })
    });
}

fn source(stage: &mut Stage, map: Map) -> Result<(), RunError> {
    let known = ["hz", "level_vrms", "level_dbv", "driven", "on"];
    let arguments = Arguments::new("source", map, &known).map_err(call)?;
    let on = arguments.flag("on").map_err(call)?;
    if on == Some(false) {
        stage.switch_source(false)?;
    }
    match arguments.word("driven").map_err(call)?.as_deref() {
        None => {}
        Some("all") => stage.set_driven(Driven::All)?,
        Some("one") => stage.set_driven(Driven::One)?,
        Some(other) => {
            return Err(call(format!("source() takes driven: \"all\" or \"one\", not \"{other}\"")));
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
        stage.set_level(level_vrms)?;
    }
    if on == Some(true) {
        stage.switch_source(true)?;
    }
    Ok(())
}

fn supply(stage: &mut Stage, map: Map) -> Result<(), RunError> {
    let arguments = Arguments::new("supply", map, &["volts_v", "limit_a", "on"]).map_err(call)?;
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
    Ok(())
}

fn register_waits(engine: &mut Engine, stage: &SharedStage) {
    let shared = Arc::clone(stage);
    engine.register_fn("heatsink", move |context: NativeCallContext| -> Answer<f64> {
        on_stage(&context, &shared, |stage| Ok(stage.bench.heatsink_c()?))
    });
    let shared = Arc::clone(stage);
    engine.register_fn("settle", move |context: NativeCallContext| -> Answer<()> {
        on_stage(&context, &shared, |stage| Ok(stage.bench.settle()?))
    });
    for name in ["settle", "sleep"] {
        // The engine's own sleep can't be interrupted; both names end at once when the run is stopped.
        let shared = Arc::clone(stage);
        engine.register_fn(name, move |context: NativeCallContext, seconds: Dynamic| -> Answer<()> {
            on_stage(&context, &shared, |stage| {
                let seconds = number(name, "seconds", &seconds).map_err(call)?;
                let length = Duration::try_from_secs_f64(seconds)
                    .map_err(|_| call(format!("{name}() can't wait {seconds} seconds")))?;
                Ok(stage.bench.wait(length)?)
            })
        });
    }
    let shared = Arc::clone(stage);
    engine.register_fn("plan_steps", move |context: NativeCallContext, steps: i64| -> Answer<()> {
        on_stage(&context, &shared, |stage| {
            let steps = u64::try_from(steps).map_err(|_| call("plan_steps() needs a count".into()))?;
            stage.tell(&Event::Planned(steps));
            Ok(())
        })
    });
}

fn register_results(engine: &mut Engine, stage: &SharedStage) {
    let shared = Arc::clone(stage);
    engine.register_fn("nameplate", move |context: NativeCallContext| -> Answer<Map> {
        on_stage(&context, &shared, |stage| nameplate(stage))
    });
    let shared = Arc::clone(stage);
    engine.register_fn("capture", move |context: NativeCallContext| -> Answer<Map> {
        on_stage(&context, &shared, |stage| as_map(&stage.capture("capture")?))
    });
    let shared = Arc::clone(stage);
    engine.register_fn("capture", move |context: NativeCallContext, purpose: &str| -> Answer<Map> {
        on_stage(&context, &shared, |stage| as_map(&stage.capture(purpose)?))
    });
    let shared = Arc::clone(stage);
    engine.register_fn("find_ceiling", move |context: NativeCallContext, rating: Map| -> Answer<Map> {
        on_stage(&context, &shared, |stage| {
            let (number, claim) = rating_of(&rating)?;
            as_map(&crate::ceiling::find_ceiling(stage, number, &claim)?)
        })
    });
    let shared = Arc::clone(stage);
    engine.register_fn(
        "record",
        move |context: NativeCallContext, rating: Map, ceiling: Map| -> Answer<Map> {
            on_stage(&context, &shared, |stage| {
                let (number, _) = rating_of(&rating)?;
                stage.rating = Some(number);
                let ceiling = rhai::serde::from_dynamic(&Dynamic::from_map(ceiling)).map_err(|error| {
                    call(format!("record() needs the answer of find_ceiling() unchanged: {error}"))
                })?;
                as_map(&stage.judge(ceiling)?)
            })
        },
    );
    let shared = Arc::clone(stage);
    engine.register_fn(
        "record",
        move |context: NativeCallContext, name: &str, value: Dynamic| -> Answer<()> {
            on_stage(&context, &shared, |stage| {
                let value: serde_json::Value = rhai::serde::from_dynamic(&value)
                    .map_err(|error| call(format!("record() can't keep this value: {error}")))?;
                stage.journal("note", &serde_json::json!({ "name": name, "value": value }))
            })
        },
    );
}

/// A result as scripts see it.
pub fn as_map<T: Serialize>(value: &T) -> Result<Map, RunError> {
    let dynamic = rhai::serde::to_dynamic(value).map_err(|error| call(error.to_string()))?;
    dynamic.try_cast::<Map>().ok_or_else(|| call("a result was no map".into()))
}

fn nameplate(stage: &Stage) -> Result<Map, RunError> {
    let mut map = as_map(&stage.nameplate)?;
    let ratings = map.remove("rating").and_then(|ratings| ratings.try_cast::<Array>()).unwrap_or_default();
    let numbered = ratings.into_iter().zip(1_i64..).map(|(rating, number)| {
        let mut rating = rating.try_cast::<Map>().unwrap_or_default();
        rating.insert("number".into(), number.into());
        Dynamic::from_map(rating)
    });
    map.insert("ratings".into(), numbered.collect::<Array>().into());
    Ok(map)
}

/// The rating that a script hands back, as the nameplate gave it.
fn rating_of(map: &Map) -> Result<(usize, Rating), RunError> {
    let hint = "it needs a rating as nameplate().ratings gives it";
    let mut map = map.clone();
    let number = map.remove("number").and_then(|number| number.as_int().ok());
    let number = number.and_then(|number| usize::try_from(number).ok()).filter(|number| *number > 0);
    let number = number.ok_or_else(|| call(format!("the rating has no number: {hint}")))?;
    let claim = rhai::serde::from_dynamic(&Dynamic::from_map(map))
        .map_err(|error| call(format!("rating {number}: {error}: {hint}")))?;
    Ok((number, claim))
}
