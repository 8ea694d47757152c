//! The first bench file: who was found where, and every value that only the owner knows as `"?"`, which `run` refuses.

use std::fmt::Write as _;
use std::io::Write as _;
use std::path::Path;

use wattproof_instruments::{Role, shipped};
use wattproof_link::Address;

use super::row::Row;
use crate::failure::Failure;
use crate::say::say;

const HEAD: &str = "\
# A first bench file, written by `wattproof instruments`. Each \"?\" is yours to fill in, from the data sheets of the
# instruments, the wiring and the amplifier; nothing is guessed, and `run` refuses the file until none is left.
# `wattproof check --bench` this file lists what is open. Outputs above 30 V rms can injure: never touch a live output.
name = \"bench\"
mains_hz = \"?\"                # of the mains at the bench: 50.0 or 60.0 (for hum)

";

/// Limits in the order of the bench file: name, and one line about it.
const LIMITS: [(&str, &str); 16] = [
    ("out_vrms_max", "V rms at one amplifier output; above 30 V rms can injure"),
    (
        "out_arms_max",
        "A rms from one amplifier output: what load, shunt and wiring bear for as long as power_s_max",
    ),
    ("out_w_max", "W from one amplifier channel: what the load can get rid of; dummy loads ignite paper"),
    (
        "dc_v_max",
        "V dc at an amplifier output before it counts as failed: a few volts; dc burns loads and voice coils",
    ),
    (
        "supply_v_max",
        "V of the supply, also set as its over-voltage protection: no more than the amplifier's maximum",
    ),
    ("supply_a_max", "A of the supply: what cable and fuse bear; fuse batteries close to the positive post"),
    ("heatsink_c_max", "degrees C of the heatsink: what the amplifier bears; it burns skin from about 60"),
    (
        "source_vrms_max",
        "V rms of the source: no more than the amplifier's input bears; too loud is the quickest harm",
    ),
    ("source_step_db_max", "dB, largest upward step of the source at once: 3 to 6 is gentle"),
    ("load_ohm_min", "ohm, smallest load: the least that the amplifier is rated for, bridged outputs apart"),
    ("power_s_max", "s at power without a rest: what heatsink and load bear"),
    ("power_w_from", "W of one channel from which on it counts as at power"),
    (
        "reading_age_s_max",
        "s, oldest supply current and heatsink temperature while an output is live: 1 to 3",
    ),
    (
        "heatsink_c_per_s_max",
        "degrees C per s, fastest rise of the heatsink; without this line there is no such limit",
    ),
    ("idle_vrms_max", "V rms at an output while nothing is played; without this line 1 V rms"),
    ("switch_on_per_min_max", "switch-ons of source and supply within a minute; without this line 240"),
];

/// Writes the file; one that is there is left alone.
pub fn write(path: &Path, rows: &[Row]) -> Result<(), Failure> {
    let text = text(rows);
    let mut file = std::fs::File::create_new(path).map_err(|source| {
        if source.kind() == std::io::ErrorKind::AlreadyExists {
            Failure::Said(format!("{}: is there already and was left alone: name another", path.display()))
        } else {
            Failure::File { path: path.into(), source }
        }
    })?;
    file.write_all(text.as_bytes()).map_err(|source| Failure::File { path: path.into(), source })?;
    let open = text.lines().filter(|line| !line.starts_with('#') && line.contains("\"?\"")).count();
    say(&format!(
        "\n{}: written; {open} values are yours to fill in, then: wattproof check --bench {}",
        path.display(),
        path.display()
    ))
}

/// The file's text.
fn text(rows: &[Row]) -> String {
    let mut text = String::from(HEAD);
    text += "# Limits that no script can exceed. They protect people first, then the bench, then the amplifier.\n[limits]\n";
    for (name, about) in LIMITS {
        line(&mut text, name, "\"?\"", about);
    }
    for role in Role::ALL {
        text.push('\n');
        text += &section(role, rows);
    }
    text += CHANNELS;
    text
}

fn line(text: &mut String, key: &str, value: &str, about: &str) {
    // Writing into a string can't fail.
    let _always = writeln!(text, "{:32}# {about}", format!("{key} = {value}"));
}

/// A role's section, with who was found for it.
fn section(role: Role, rows: &[Row]) -> String {
    let mut text = String::new();
    let fitting: Vec<&Row> =
        rows.iter().filter(|row| row.likeliest().is_some_and(|one| one.role == role.word())).collect();
    let row = fitting.iter().max_by_key(|row| row.likeliest().map(|one| one.sureness == "sure"));
    for other in fitting.iter().filter(|other| row.is_none_or(|row| row.port != other.port)) {
        let who = other.found.as_ref().map(|found| found.identity.as_str()).unwrap_or_default();
        text += &format!("# Found as well: \"{who}\" on {}, link = {}\n", other.port, inline(&other.link));
    }
    if let Some((row, best)) = row.and_then(|row| Some((row, row.likeliest()?))) {
        let who = row.found.as_ref().map(|found| found.identity.as_str()).unwrap_or_default();
        text += &format!(
            "# \"{who}\" on {}: {}, {} of {} questions answered.\n",
            row.port, best.sureness, best.answered, best.asked
        );
        if matches!(&row.link, Address::Serial { path, .. } | Address::UsbTmc { path } if *path == row.port) {
            text += "# This name may be another instrument's after replugging: watch it.\n";
        }
        text += &format!("[{role}]\n");
        text += &format!("link = {}\n", inline(&with_rate(row, &best.dialect)));
        text += &format!("dialect = {}\n", toml::Value::String(best.dialect.clone()));
    } else {
        text += &format!("# Nobody was found for this role: see drivers/dialects/README.md.\n[{role}]\n");
        text += "link = \"?\"                      # as `wattproof instruments` shows it\n";
        text += "dialect = \"?\"\n";
    }
    let settle = |text: &mut String| {
        line(text, "settle_ms", "\"?\"", "ms it needs after a change, from its data sheet")
    };
    match role {
        Role::Source => {
            line(&mut text, "outputs", "[1]", "the output that drives each amplifier channel, in order");
            settle(&mut text);
        }
        Role::Load => {
            line(&mut text, "channels", "[1]", "the load channel on each amplifier channel, in order");
            settle(&mut text);
            line(&mut text, "tolerance_pct", "\"?\"", "%, tolerance of its resistance");
        }
        Role::Supply => {
            settle(&mut text);
            line(&mut text, "tolerance_pct", "\"?\"", "%, tolerance of its voltage");
        }
        Role::Digitizer => {
            line(&mut text, "rate_hz", "\"?\"", "samples per second and channel: 192000.0 if it can");
            line(
                &mut text,
                "samples",
                "\"?\"",
                "samples of one capture: a tenth of a second's worth is enough",
            );
        }
        Role::Thermometer => line(&mut text, "channel", "\"?\"", "its input on the heatsink, from 1"),
    }
    text
}

/// One volts and one amps input for the first amplifier channel.
const CHANNELS: &str = "
# Two inputs for each amplifier channel: its voltage through a divider, its current through a shunt. Both sides of a
# bridged output are live: a grounded probe shorts it.
[[digitizer.channel]]
adc = \"?\"                       # input of the digitizer, from 1
amplifier_channel = 1
measures = \"volts\"
gain = \"?\"                      # volts at the amplifier for each volt at the input
range_v = \"?\"                   # V peak, range of the input
tolerance_pct = \"?\"             # %, of the gain, from its calibration

[[digitizer.channel]]
adc = \"?\"
amplifier_channel = 1
measures = \"amps\"
gain = \"?\"                      # amperes for each volt at the input
range_v = \"?\"
tolerance_pct = \"?\"
";

/// The link with the rate that was found, where the dialect says another.
fn with_rate(row: &Row, dialect: &str) -> Address {
    let usual = shipped(dialect).map(|dialect| dialect.serial.settings().baud).ok();
    let baud = row.found.as_ref().and_then(|found| found.baud).filter(|baud| usual != Some(*baud));
    crate::port_name::at_baud(row.link.clone(), baud)
}

/// A link as one line of TOML, in the order of a bench file.
fn inline(link: &Address) -> String {
    // A link is a table of texts and numbers, all of which TOML has.
    let text = toml::to_string(link).unwrap_or_default();
    let (own, usb) = text.split_once("[usb]").unwrap_or((&text, ""));
    let joined = |text: &str| text.lines().filter(|line| !line.is_empty()).collect::<Vec<_>>().join(", ");
    let usb = if usb.is_empty() { String::new() } else { format!("usb = {{ {} }}", joined(usb)) };
    let parts = [usb, joined(own)];
    let parts: Vec<&str> = parts.iter().map(String::as_str).filter(|part| !part.is_empty()).collect();
    format!("{{ {} }}", parts.join(", "))
}

#[cfg(test)]
mod tests {
    use super::*;
    use wattproof_bench::BenchFile;
    use wattproof_guard::Limits;

    #[test]
    fn links_are_one_line_each_and_mean_the_same() {
        #[derive(serde::Deserialize)]
        struct File {
            link: Address,
        }
        for link in [
            "{ usb = { vendor = \"1209\", product = \"0001\", serial = \"A\" }, baud = 9600 }",
            "{ serial = \"/dev/serial/by-path/x\", baud = 9600 }",
            "{ tcp = \"bench:5025\" }",
        ] {
            let file: File = toml::from_str(&format!("link = {link}")).unwrap();
            assert_eq!(inline(&file.link), link);
        }
    }

    /// Project definition: the file is refused with every open value, and is a bench file once all are filled in.
    #[test]
    fn a_draft_is_refused_until_it_is_filled_in_and_then_holds_every_limit() {
        let draft = text(&[]);
        let told = BenchFile::parse(Path::new("b.toml"), &draft).unwrap_err().to_string();
        for (name, _) in LIMITS {
            let line = draft.lines().position(|line| line.starts_with(name)).unwrap() + 1;
            assert!(
                told.contains(&format!("b.toml:{line}: [limits] {name} is not filled in")),
                "{name}: {told}"
            );
        }
        assert!(told.contains("[source] link") && told.contains("[digitizer.channel] gain"), "{told}");
        let filled = draft
            .replace("link = \"?\"", "link = { serial = \"/dev/NAME\" }")
            .replace("samples = \"?\"", "samples = 19200");
        let filled = filled.replace("adc = \"?\"", "adc = 1").replace("channel = \"?\"", "channel = 1");
        let filled = filled
            .replace("dialect = \"?\"", "dialect = \"x\"")
            .replace("settle_ms = \"?\"", "settle_ms = 100");
        let file = BenchFile::parse(Path::new("b.toml"), &filled.replace("\"?\"", "50.0")).unwrap();
        let limits = toml::Table::try_from(file.limits).unwrap();
        let written: Vec<&String> = limits.keys().collect();
        let mut named = LIMITS.map(|(name, _)| name.to_string()).to_vec();
        named.sort();
        assert_eq!(
            written,
            named.iter().collect::<Vec<_>>(),
            "every limit that there is stands in the draft"
        );
        assert!(Limits::check(&file.limits).is_ok());
    }
}
