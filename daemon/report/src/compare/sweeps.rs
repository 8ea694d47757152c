//! Clean output over supply voltage, load and frequency, from what sweeping scripts state of it.

use super::{Comparison, QuantityCell};
use crate::figures::{Over, Setting, SweepLine, Swept, draw_sweeps};

/// What those scripts state, and its unit.
const STATED: [(&str, &str); 2] = [("clean power", "W"), ("clean output", "V rms")];
const OVER: [Over; 3] = [Over::Supply, Over::Load, Over::Frequency];

/// A finding's conditions, as its words say them.
#[derive(Debug, Clone, PartialEq)]
struct At {
    supply_v: Option<f64>,
    load_ohm: Option<f64>,
    hz: Option<f64>,
    others: Vec<String>,
}

impl At {
    /// Of words as "14.4 V supply, 1000 Hz, 4 ohm, all driven, 1 % thdn".
    fn read(words: &str) -> At {
        let mut at = At { supply_v: None, load_ohm: None, hz: None, others: Vec::new() };
        for part in words.split(", ") {
            let number =
                |unit: &str| part.strip_suffix(unit).and_then(|text| text.trim().parse::<f64>().ok());
            match (number(" V supply"), number(" ohm"), number(" Hz")) {
                (Some(volts), ..) => at.supply_v = Some(volts),
                (_, Some(ohm), _) => at.load_ohm = Some(ohm),
                (.., Some(hz)) => at.hz = Some(hz),
                _ => at.others.push(part.to_string()),
            }
        }
        at
    }

    fn of(&self, over: Over) -> Option<f64> {
        match over {
            Over::Supply => self.supply_v,
            Over::Load => self.load_ohm,
            Over::Frequency => self.hz,
        }
    }

    /// Without what is swept.
    fn without(&self, over: Over) -> At {
        let mut at = self.clone();
        match over {
            Over::Supply => at.supply_v = None,
            Over::Load => at.load_ohm = None,
            Over::Frequency => at.hz = None,
        }
        at
    }

    fn words(&self) -> String {
        let volts = self.supply_v.map(|volts| format!("{volts} V supply"));
        let ohm = self.load_ohm.map(|ohm| format!("{ohm} ohm"));
        let hz = self.hz.map(|hz| format!("{hz} Hz"));
        let all = [volts, ohm, hz].into_iter().flatten().chain(self.others.iter().cloned());
        all.collect::<Vec<_>>().join(", ")
    }
}

/// The figure; absent where no run swept anything.
pub(crate) fn draw(compared: &Comparison, subtitle: &str, setting: Setting) -> Option<String> {
    let mut sweeps = Vec::new();
    for (name, unit) in STATED {
        for over in OVER {
            let lines = lines(compared, name, unit, over);
            if !lines.is_empty() {
                sweeps.push(Swept { over, unit, lines });
            }
        }
    }
    (!sweeps.is_empty()).then(|| draw_sweeps(&sweeps, "Clean output over what was swept", subtitle, setting))
}

/// A line for each column and each set of conditions in which at least two values of what is swept stand.
fn lines(compared: &Comparison, name: &str, unit: &str, over: Over) -> Vec<SweepLine> {
    let rows = compared.quantities.iter().filter(|row| row.quantity == name && row.unit == unit);
    let cells: Vec<(usize, &QuantityCell)> = rows
        .flat_map(|row| row.cells.iter().enumerate().filter_map(|(at, cell)| Some((at, cell.as_ref()?))))
        .collect();
    let mut dashes: Vec<At> = Vec::new();
    let mut lines: Vec<(At, SweepLine)> = Vec::new();
    for (column, cell) in cells {
        let at = At::read(&cell.at);
        let (Some(x), Some(value)) = (at.of(over), cell.value) else { continue };
        let rest = at.without(over);
        let dash = dashes.iter().position(|known| *known == rest).unwrap_or_else(|| {
            dashes.push(rest.clone());
            dashes.len() - 1
        });
        let point = (x, value, cell.expanded_u);
        match lines.iter_mut().find(|(known, line)| *known == rest && line.colour == column) {
            Some((_, line)) => line.points.push(point),
            None => {
                let label = format!("{}: {}", super::letter(column), rest.words());
                lines.push((rest, SweepLine { label, colour: column, dash, points: vec![point] }));
            }
        }
    }
    let swept = lines.into_iter().filter_map(|(_, mut line)| {
        line.points.sort_by(|a, b| a.0.total_cmp(&b.0));
        line.points.dedup_by(|a, b| a.0 == b.0);
        (line.points.len() > 1).then_some(line)
    });
    swept.collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_words_of_the_sweeping_scripts_are_understood() {
        // scripts/supply_sweep.rhai, load_sweep.rhai and power_bandwidth.rhai.
        let at = At::read("14.4 V supply, 1000 Hz, 4 ohm, all driven, 1 % thdn");
        assert_eq!((at.supply_v, at.hz, at.load_ohm), (Some(14.4), Some(1000.0), Some(4.0)));
        assert_eq!(at.others, ["all driven", "1 % thdn"]);
        assert_eq!(at, At::read("4 ohm, 1000.0 Hz, 14.4 V supply, all driven, 1 % thdn"));
        assert_eq!(at.without(Over::Supply).words(), "4 ohm, 1000 Hz, all driven, 1 % thdn");
    }
}
