//! Causes and limits in plain words.

/// Why an output stops at its ceiling, in a sentence; causes as `daemon/method` names them.
pub fn cause_words(cause: &str) -> &'static str {
    match cause {
        "clipping" => "The waveform is cut off abruptly: the output has no more voltage to give.",
        "soft clipping" => "The waveform bends gradually, until its distortion passes the limit.",
        "limiting" => {
            "Gain is taken back while the waveform stays clean: distortion did not reach the limit, and this is the output that is kept up."
        }
        "sag" => {
            "The supply gives way, at its terminals or inside the amplifier: the voltage that bounds the output falls under load."
        }
        "protection" => "The amplifier's own protection trips.",
        "drive exhausted" => {
            "The signal source has no more level to give: the amplifier may be able to deliver more than was measured."
        }
        "current limit" => {
            "Peaks stop below what the supply voltage allows: the output has no more current to give."
        }
        "thermal" => "Heat lowers the output at the same drive.",
        _ => "The facts do not decide what stops it.",
    }
}

/// A limit of the bench in words with its unit.
pub fn limit_words(name: &str, value: f64) -> (String, String) {
    let (words, unit) = match name {
        "out_vrms_max" => ("Output voltage of a channel, at most", "V rms"),
        "out_arms_max" => ("Output current of a channel, at most", "A rms"),
        "out_w_max" => ("Output power of a channel, at most", "W"),
        "dc_v_max" => ("Direct voltage at an output, at most", "V"),
        "supply_v_max" => ("Supply voltage, at most", "V"),
        "supply_a_max" => ("Supply current, at most", "A"),
        "heatsink_c_max" => ("Heatsink, at most", "°C"),
        "source_vrms_max" => ("Source level, at most", "V rms"),
        "source_step_db_max" => ("Rise of the source level at once, at most", "dB"),
        "load_ohm_min" => ("Load, at least", "ohm"),
        "power_s_max" => ("Time at power without a pause, at most", "s"),
        "power_w_from" => ("What counts as at power, from", "W"),
        "reading_age_s_max" => ("Age of a safety reading, at most", "s"),
        "heatsink_c_per_s_max" => ("Rise of the heatsink, at most", "°C/s"),
        "idle_vrms_max" => ("Output voltage with nothing played, at most", "V rms"),
        "switch_on_per_min_max" => ("Switch-ons a minute, at most", ""),
        other => (other, ""),
    };
    (words.to_string(), format!("{value} {unit}").trim_end().to_string())
}
