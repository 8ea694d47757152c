//! What a calibration came to, for a person to judge before it is written.

use std::path::Path;

use comfy_table::{CellAlignment, Table, presets};
use serde_json::{Value, json};
use wattproof_bench::{CalibratedChannel, Measures};
use wattproof_method::calibration::Calibration;

/// The same for a program; `kept_as` is the bench file as it was, absent where nothing was written.
pub fn as_json(input: &CalibratedChannel, found: &Calibration, kept_as: Option<&Path>) -> Value {
    json!({
        "amplifier_channel": input.amplifier_channel, "adc": input.adc, "measures": input.measures,
        "unit": unit(input), "found": found, "gain_before": input.gain, "offset_v_before": input.offset_v,
        "written": kept_as.is_some(), "kept_as": kept_as,
    })
}

/// The unit of what an input looks at.
pub fn unit(input: &CalibratedChannel) -> &'static str {
    match input.measures {
        Measures::Volts => "V",
        Measures::Amps => "A",
    }
}

/// An input in words, with the side of a bridge that it is at, 0 for the positive one.
pub fn title(input: &CalibratedChannel, side: Option<usize>) -> String {
    let word = match input.measures {
        Measures::Volts => "voltage",
        Measures::Amps => "current",
    };
    let side = match side {
        None => "",
        Some(0) => ", positive side of its bridge",
        Some(_) => ", negative side of its bridge",
    };
    format!("{word} input of channel {}{side} (adc {})", input.amplifier_channel, input.adc)
}

/// Points with what they are off the line, then gain, offset and linearity against what stood in the bench file.
pub fn told(input: &CalibratedChannel, found: &Calibration) -> String {
    let unit = unit(input);
    let mut table = Table::new();
    table.load_style(presets::NOTHING);
    table.set_header([
        "point".to_string(),
        "adc V".to_string(),
        format!("meter {unit}"),
        format!("off the line {unit}"),
        format!("u {unit}"),
    ]);
    for (number, point) in (1..).zip(&found.departures) {
        table.add_row([
            format!("{number}"),
            format!("{:.6}", point.adc_v),
            format!("{}", point.reading),
            format!("{:+.6}", point.off),
            format!("{:.6}", point.u),
        ]);
    }
    for index in 0..5 {
        if let Some(column) = table.column_mut(index) {
            column.set_cell_alignment(CellAlignment::Right);
        }
    }
    format!(
        "{table}\n\
         gain       {:.6} {unit}/V, standard uncertainty {:.4} % ({:+.3} % against {:.6} in the bench file)\n\
         offset     {:+.6} V at the converter, standard uncertainty {:.6} V (bench file: {:+.6} V)\n\
         linearity  within {:.6} V of a straight line ({:.4} % of the range), up to {} {unit}",
        found.gain,
        found.u_gain_pct,
        100.0 * (found.gain / input.gain - 1.0),
        input.gain,
        found.offset_v,
        found.u_offset_v,
        input.offset_v,
        found.linearity_v,
        100.0 * found.linearity_v / input.range_v,
        found.highest
    )
}
