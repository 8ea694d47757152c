//! Colours, dashes and marks.
//!
//! Six line colours of clearly different lightness on either ground. Nobody has to tell them apart: each goes with a dash
//! and a mark of its own.

/// How many lines are told apart before they repeat.
pub const KINDS: usize = 6;

/// Dashes of the kinds, in SVG's words; empty is a whole line.
pub const DASHES: [&str; KINDS] = ["", "9 4", "2 3", "10 3 2 3", "16 4", "5 2 2 2 2 2"];

/// The style of every figure. Classes begin with `wp-`, so that figures can stand in any page.
pub const STYLE: &str = "\
.wp-fig{font:13px system-ui,-apple-system,'Segoe UI',sans-serif}\
.wp-ground{fill:#fff}.wp-fig text{fill:#20262c}.wp-fig .wp-quiet{fill:#4a545e}.wp-fig .wp-title{font-size:15px;font-weight:600}\
.wp-grid{stroke:#e3e7ea;stroke-width:1}.wp-grid2{stroke:#c4cbd1;stroke-width:1}.wp-edge{stroke:#69737d;stroke-width:1;fill:none}\
.wp-limit{stroke:#20262c;stroke-width:1.4;stroke-dasharray:3 3;fill:none}.wp-line{fill:none;stroke-width:1.8;stroke-linejoin:round}\
.wp-mark{stroke-width:1.3}.wp-open{fill:#fff;stroke-width:1.8}.wp-bar{stroke-width:1.8;fill:none}\
.wp-k0{stroke:#0a5ca8}.wp-k1{stroke:#b8420b}.wp-k2{stroke:#0b7a66}.wp-k3{stroke:#8b2f86}.wp-k4{stroke:#6e5a00}.wp-k5{stroke:#45525f}\
.wp-f0{fill:#0a5ca8}.wp-f1{fill:#b8420b}.wp-f2{fill:#0b7a66}.wp-f3{fill:#8b2f86}.wp-f4{fill:#6e5a00}.wp-f5{fill:#45525f}\
@media screen and (prefers-color-scheme:dark){\
.wp-ground{fill:#14191e}.wp-fig text{fill:#e6eaee}.wp-fig .wp-quiet{fill:#aeb8c1}\
.wp-grid{stroke:#262d34}.wp-grid2{stroke:#3b454e}.wp-edge{stroke:#87929c}.wp-limit{stroke:#e6eaee}.wp-open{fill:#14191e}\
.wp-k0{stroke:#6fb4ff}.wp-k1{stroke:#ff9d63}.wp-k2{stroke:#4fd0b5}.wp-k3{stroke:#e79ae2}.wp-k4{stroke:#d6c04a}.wp-k5{stroke:#b4c0cb}\
.wp-f0{fill:#6fb4ff}.wp-f1{fill:#ff9d63}.wp-f2{fill:#4fd0b5}.wp-f3{fill:#e79ae2}.wp-f4{fill:#d6c04a}.wp-f5{fill:#b4c0cb}}";

#[cfg(test)]
mod tests {
    use super::*;

    /// Relative luminance of `#rrggbb` (WCAG 2.1, definition of relative luminance).
    fn luminance(colour: &str) -> f64 {
        let part = |at: usize| {
            let c = f64::from(u8::from_str_radix(&colour[at..at + 2], 16).unwrap()) / 255.0;
            if c <= 0.03928 { c / 12.92 } else { ((c + 0.055) / 1.055).powf(2.4) }
        };
        0.2126 * part(0) + 0.7152 * part(2) + 0.0722 * part(4)
    }

    fn contrast(a: &str, b: &str) -> f64 {
        let (a, b) = (luminance(a), luminance(b));
        (a.max(b) + 0.05) / (a.min(b) + 0.05)
    }

    /// The colour that a rule of a class sets.
    fn colour<'a>(style: &'a str, class: &str) -> &'a str {
        let rule = style.split(class).nth(1).unwrap_or_else(|| panic!("{class}"));
        let rule = rule.split('}').next().unwrap();
        let hex = rule.split('#').nth(1).unwrap();
        match hex.split(|c: char| !c.is_ascii_hexdigit()).next().unwrap() {
            "fff" => "ffffff",
            six => six,
        }
    }

    /// WCAG 2.1: text 4.5 : 1 (1.4.3), lines and marks 3 : 1 (1.4.11) against what is behind them.
    #[test]
    fn everything_stands_out_on_either_ground() {
        let (light, dark) = STYLE.split_once("@media").unwrap();
        for style in [light, dark] {
            let ground = colour(style, ".wp-ground{");
            for class in [".wp-fig text{", ".wp-fig .wp-quiet{"] {
                assert!(contrast(colour(style, class), ground) >= 4.5, "{class}");
            }
            for kind in 0..KINDS {
                for class in [format!(".wp-k{kind}{{"), format!(".wp-f{kind}{{")] {
                    assert!(contrast(colour(style, &class), ground) >= 3.0, "{class} on {ground}");
                }
            }
            assert!(contrast(colour(style, ".wp-edge{"), ground) >= 3.0);
        }
    }

    #[test]
    fn no_two_kinds_share_a_dash() {
        let mut dashes = DASHES.to_vec();
        dashes.sort_unstable();
        dashes.dedup();
        assert_eq!(dashes.len(), KINDS);
    }
}
