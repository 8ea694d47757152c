//! What the titles of columns say.

/// Words of a title, in small letters: `Time [ms]` is `time` and `ms`.
fn words(text: &str) -> Vec<String> {
    let text = text.to_lowercase();
    let parts = text.split(|c: char| !c.is_alphanumeric()).filter(|word| !word.is_empty());
    parts.map(str::to_string).collect()
}

/// True if a column of this title holds times.
pub(crate) fn names_time(title: &str) -> bool {
    let words = words(title);
    let first = words.first().map_or("", String::as_str);
    first.starts_with("time") || ["t", "seconds", "second", "sec", "s"].contains(&first)
}

/// True if a column of this title counts its lines.
pub(crate) fn names_count(title: &str) -> bool {
    const COUNTS: [&str; 11] =
        ["sample", "samples", "index", "idx", "n", "no", "nr", "number", "point", "points", "row"];
    let words = words(title);
    title.trim() == "#" || words.first().is_some_and(|first| COUNTS.contains(&first.as_str()))
}

/// The unit of time that a title names, in s.
pub(crate) fn unit_s(title: &str) -> Option<f64> {
    words(title).iter().find_map(|word| match word.as_str() {
        "ns" | "nanoseconds" => Some(1e-9),
        // Both signs for micro: U+00B5 and the Greek letter.
        "us" | "\u{b5}s" | "\u{3bc}s" | "microseconds" => Some(1e-6),
        "ms" | "milliseconds" => Some(1e-3),
        "s" | "sec" | "second" | "seconds" => Some(1.0),
        _ => None,
    })
}

/// A unit that a title names and that is not the volt or the ampere itself, and its size in them.
pub(crate) fn scaled_unit(title: &str) -> Option<(&'static str, f64)> {
    words(title).iter().find_map(|word| match word.as_str() {
        "mv" | "millivolt" | "millivolts" => Some(("mV", 1e-3)),
        "uv" | "\u{b5}v" | "\u{3bc}v" => Some(("\u{b5}V", 1e-6)),
        "kv" => Some(("kV", 1e3)),
        "ma" | "milliampere" | "milliamperes" => Some(("mA", 1e-3)),
        "ua" | "\u{b5}a" | "\u{3bc}a" => Some(("\u{b5}A", 1e-6)),
        _ => None,
    })
}
