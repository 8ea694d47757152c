//! Which ratings a bench can serve as it is wired. Between single and bridged outputs only a person can change the wiring,
//! so a rating that needs the other one is left out with its reason, before anything is switched on.

use serde::{Deserialize, Serialize};
use wattproof_bench::BenchFile;

use crate::stage::Stage;
use crate::{Driven, Event, Nameplate, Rating, RunError};

/// A rating that was left out.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct NotMeasured {
    /// Which, from 1.
    pub rating: usize,
    /// The claim.
    pub claim: Rating,
    /// Why, and what to do.
    pub why: String,
}

/// Why the bench, as it is wired, can't serve a rating.
pub fn unserved(bench: &BenchFile, plate: &Nameplate, rating: &Rating) -> Option<String> {
    let outputs = bench.amplifier_channels();
    match (rating.driven, bench.is_bridged()) {
        (Driven::Bridged, false) => {
            return Some(
                "it is for bridged channels, and this bench is wired for single ones: with everything off, bridge the amplifier, put each load between two live outputs with a divider on each side, name them in [[digitizer.bridge]] of another bench file, and run with that"
                    .into(),
            );
        }
        (Driven::All | Driven::One, true) => {
            return Some(
                "it is for single channels, and this bench is wired for bridged ones ([[digitizer.bridge]]): with everything off, take the bridges away, and run with a bench file that has none"
                    .into(),
            );
        }
        _ => {}
    }
    let needed = plate.channels as usize / 2;
    (rating.driven == Driven::Bridged && outputs < needed).then(|| {
        format!(
            "it is for all {needed} bridges driven together, and this bench serves {outputs}: wire them all, or correct `channels` of the nameplate"
        )
    })
}

/// The ratings that the bench can serve, with their numbers, from 1.
pub fn served<'a>(bench: &BenchFile, plate: &'a Nameplate) -> Vec<(usize, &'a Rating)> {
    let numbered = (1..).zip(&plate.rating);
    numbered.filter(|(_, rating)| unserved(bench, plate, rating).is_none()).collect()
}

/// What a rating with all channels driven is short of, where the bench serves fewer than the amplifier has: what all of them
/// would take from the supply is not taken.
pub fn fewer_driven(bench: &BenchFile, plate: &Nameplate, claim: &Rating) -> Option<String> {
    let (outputs, channels) = (bench.amplifier_channels(), plate.channels as usize);
    let fewer = claim.driven == Driven::All && !bench.is_bridged() && outputs < channels;
    fewer.then(|| {
        format!("{outputs} of the amplifier's {channels} channels were driven, for the bench serves no more: the rating is judged by those alone")
    })
}

/// Records and tells the ratings that this bench can't serve. Nothing is switched on by it.
///
/// # Errors
/// [`RunError::NothingServed`] when that is all of them.
pub fn leave_out(stage: &mut Stage) -> Result<(), RunError> {
    let (bench, plate) = (stage.bench.file(), &stage.nameplate);
    if let Some(note) = plate.rating.iter().find_map(|claim| fewer_driven(bench, plate, claim)) {
        tracing::warn!("{note}");
    }
    let left_out: Vec<NotMeasured> = (1..)
        .zip(&plate.rating)
        .filter_map(|(rating, claim)| {
            Some(NotMeasured { rating, claim: claim.clone(), why: unserved(bench, plate, claim)? })
        })
        .collect();
    let all = !plate.rating.is_empty() && left_out.len() == plate.rating.len();
    for one in &left_out {
        stage.leave_out(one)?;
        stage.tell(&Event::LeftOut(one));
    }
    if all {
        let each: Vec<String> =
            left_out.iter().map(|one| format!("  rating {}: {}", one.rating, one.why)).collect();
        return Err(RunError::NothingServed(each.join("\n")));
    }
    Ok(())
}

#[cfg(test)]
pub(crate) mod tests {
    use std::path::Path;

    use super::*;

    const PLATE: &str = "maker = \"A\"\nmodel = \"B\"\nchannels = 4\n";
    const RATING: &str = "[[rating]]\nwatts = 50.0\nload_ohm = 4.0\nsupply_v = 14.4\nlimit_pct = 1.0\n";

    pub(crate) fn bench(outputs: usize, bridged: bool) -> BenchFile {
        let numbers: Vec<usize> = (1..=outputs).collect();
        let mut text = format!(
            "name = \"invented\"\n\
             limits = {{ out_vrms_max = 60.0, out_arms_max = 35.0, out_w_max = 500.0, dc_v_max = 3.0, supply_v_max = 16.5, \
             supply_a_max = 150.0, heatsink_c_max = 95.0, source_vrms_max = 2.0, source_step_db_max = 6.0, \
             load_ohm_min = 1.0, power_s_max = 60.0, power_w_from = 25.0, reading_age_s_max = 3.0 }}\n\
             source = {{ link = {{ tcp = \"h:1\" }}, dialect = \"scpi-source\", outputs = {numbers:?}, settle_ms = 1 }}\n\
             load = {{ fixed_ohm = 4.0, tolerance_pct = 1.0 }}\n\
             supply = {{ link = {{ tcp = \"h:3\" }}, dialect = \"scpi-supply\", settle_ms = 1, tolerance_pct = 0.1 }}\n\
             thermometer = {{ link = {{ tcp = \"h:5\" }}, dialect = \"scpi-thermometer\", channel = 1 }}\n\
             [digitizer]\nlink = {{ tcp = \"h:4\" }}\ndialect = \"scpi-digitizer\"\nrate_hz = 192000.0\nsamples = 19200\n"
        );
        for output in numbers {
            let mut input = |adc: usize, measures: &str| {
                text += &format!(
                    "[[digitizer.channel]]\nadc = {adc}\namplifier_channel = {output}\nmeasures = \"{measures}\"\n\
                     gain = 20.0\nrange_v = 5.0\ntolerance_pct = 0.1\n"
                );
            };
            input(3 * output, "volts");
            input(3 * output + 1, "amps");
            if bridged {
                input(3 * output + 2, "volts");
                let (positive, negative) = (3 * output, 3 * output + 2);
                text += &format!(
                    "[[digitizer.bridge]]\namplifier_channel = {output}\npositive = {positive}\nnegative = {negative}\n"
                );
            }
        }
        BenchFile::parse(Path::new("b.toml"), &text).unwrap()
    }

    /// Project definition: what the wiring can't show is not measured.
    #[test]
    fn a_rating_is_served_only_by_its_own_wiring_and_by_all_its_bridges() {
        let each = ["all", "one", "bridged"].map(|word| format!("{RATING}driven = \"{word}\"\n"));
        let plate = Nameplate::parse(Path::new("a.toml"), &format!("{PLATE}{}", each.concat())).unwrap();
        let numbers = |bench: &BenchFile| -> Vec<usize> {
            served(bench, &plate).into_iter().map(|(number, _)| number).collect()
        };
        assert_eq!(numbers(&bench(4, false)), [1, 2]);
        assert_eq!(numbers(&bench(2, false)), [1, 2], "with those it serves, which is said");
        assert_eq!(numbers(&bench(2, true)), [3]);
        assert_eq!(numbers(&bench(1, true)), Vec::<usize>::new(), "both bridges can't be driven on one");
        let why = unserved(&bench(1, true), &plate, &plate.rating[2]).unwrap();
        assert!(why.contains("all 2 bridges") && why.contains("serves 1"), "{why}");
        assert!(
            unserved(&bench(4, false), &plate, &plate.rating[2]).unwrap().contains("[[digitizer.bridge]]")
        );
    }

    /// Project definition: a rating of all channels says by how many it was judged.
    #[test]
    fn fewer_channels_than_the_amplifier_has_are_told() {
        let plate = |word: &str| {
            let text = format!("{PLATE}{RATING}driven = \"{word}\"\n");
            Nameplate::parse(Path::new("n.toml"), &text).unwrap()
        };
        let told = |outputs: usize, bridged: bool, word: &str| {
            let plate = plate(word);
            fewer_driven(&bench(outputs, bridged), &plate, &plate.rating[0])
        };
        assert!(told(2, false, "all").unwrap().starts_with("2 of the amplifier's 4 channels"));
        assert_eq!((told(4, false, "all"), told(2, false, "one"), told(2, true, "all")), (None, None, None));
    }
}
