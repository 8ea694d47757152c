//! Colours, dashes and the look of frames.
//!
//! Six line colours of clearly different lightness on either ground. Nobody has to tell them apart: each goes with a dash
//! and a mark of its own. The drawing library is given the colours of the light figure; the style repaints each by its value
//! on a dark screen, so that a program that knows no style still shows the light one.

use std::fmt::Write;

use kuva::render::theme::Theme;

/// How many lines are told apart before they repeat.
pub(crate) const KINDS: usize = 6;

/// Dashes of the kinds, in SVG's words; empty is a whole line.
pub(crate) const DASHES: [&str; KINDS] = ["", "9 4", "2 3", "10 3 2 3", "16 4", "5 2 2 2 2 2"];

/// Size of numbers, names and notes.
pub(crate) const TEXT_SIZE: u32 = 13;

pub(crate) const GROUND: &str = "#ffffff";
const TEXT: &str = "#20262c";
pub(crate) const QUIET: &str = "#4a545e";
pub(crate) const FINER: &str = "#e3e7ea";
pub(crate) const GRID: &str = "#c4cbd1";
pub(crate) const EDGE: &str = "#69737d";
/// Of limits and of what was set; a shade beside that of texts, which need no colour of their own.
pub(crate) const LIMIT: &str = "#21272d";
pub(crate) const LIMIT_DASH: &str = "3 3";
const LINES: [&str; KINDS] = ["#0a5ca8", "#b8420b", "#0b7a66", "#8b2f86", "#6e5a00", "#45525f"];

/// Each colour on a light and on a dark ground.
const SHADES: [(&str, &str); KINDS + 6] = [
    (GROUND, "#14191e"),
    (QUIET, "#aeb8c1"),
    (FINER, "#262d34"),
    (GRID, "#3b454e"),
    (EDGE, "#87929c"),
    (LIMIT, "#e6eaee"),
    (LINES[0], "#6fb4ff"),
    (LINES[1], "#ff9d63"),
    (LINES[2], "#4fd0b5"),
    (LINES[3], "#e79ae2"),
    (LINES[4], "#d6c04a"),
    (LINES[5], "#b4c0cb"),
];
/// Of texts, which take the figure's own.
const TEXT_DARK: &str = "#e6eaee";

/// The colour of a kind.
pub(crate) fn colour(kind: usize) -> &'static str {
    LINES.get(kind % KINDS).copied().unwrap_or(TEXT)
}

/// The look of a frame.
pub(crate) fn theme() -> Theme {
    Theme {
        background: "none".into(),
        axis_color: EDGE.into(),
        grid_color: GRID.into(),
        tick_color: EDGE.into(),
        text_color: TEXT.into(),
        ..Theme::light()
    }
}

/// The style of every figure: light and dark as the reader's screen is, light in print. All of it lies within `wp-fig`, so
/// that figures can stand in any page.
pub(crate) fn style() -> String {
    let mut style = format!(
        ".wp-fig{{font-family:system-ui,-apple-system,'Segoe UI',sans-serif;fill:{TEXT};stroke-linejoin:round}}"
    );
    // Writing to a string can't fail.
    let _ = write!(style, "@media screen and (prefers-color-scheme:dark){{.wp-fig{{fill:{TEXT_DARK}}}");
    for (light, dark) in SHADES {
        let _ = write!(
            style,
            ".wp-fig [fill='{light}']{{fill:{dark}}}.wp-fig [stroke='{light}']{{stroke:{dark}}}"
        );
    }
    style.push('}');
    // A rim in the colour of the ground, where it can lie behind the letters, keeps a text readable over lines.
    let dark = SHADES.iter().find(|pair| pair.0 == GROUND).map_or(GROUND, |pair| pair.1);
    let _ = write!(
        style,
        "@supports (paint-order:stroke){{.wp-fig text{{paint-order:stroke;stroke:{GROUND};stroke-width:3px}}\
         @media screen and (prefers-color-scheme:dark){{.wp-fig text{{stroke:{dark}}}}}}}"
    );
    style
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Relative luminance of `#rrggbb` (WCAG 2.1, definition of relative luminance).
    fn luminance(colour: &str) -> f64 {
        let part = |at: usize| {
            let c = f64::from(u8::from_str_radix(&colour[at..at + 2], 16).unwrap()) / 255.0;
            if c <= 0.03928 { c / 12.92 } else { ((c + 0.055) / 1.055).powf(2.4) }
        };
        0.2126 * part(1) + 0.7152 * part(3) + 0.0722 * part(5)
    }

    fn contrast(a: &str, b: &str) -> f64 {
        let (a, b) = (luminance(a), luminance(b));
        (a.max(b) + 0.05) / (a.min(b) + 0.05)
    }

    /// WCAG 2.1: text 4.5 : 1 (1.4.3), lines and marks 3 : 1 (1.4.11) against what is behind them.
    #[test]
    fn everything_stands_out_on_either_ground() {
        let dark = |light: &str| SHADES.iter().find(|pair| pair.0 == light).unwrap().1;
        for (text, ground) in
            [(TEXT, GROUND), (TEXT_DARK, dark(GROUND)), (QUIET, GROUND), (dark(QUIET), dark(GROUND))]
        {
            assert!(contrast(text, ground) >= 4.5, "{text} on {ground}");
        }
        for line in LINES.into_iter().chain([EDGE, LIMIT]) {
            assert!(contrast(line, GROUND) >= 3.0, "{line}");
            assert!(contrast(dark(line), dark(GROUND)) >= 3.0, "{line} when dark");
        }
    }

    /// Every colour that a figure can hold has its dark one, and no two share one by mistake.
    #[test]
    fn no_two_kinds_share_a_dash_or_a_colour() {
        for list in [
            DASHES.to_vec(),
            SHADES.iter().map(|pair| pair.0).collect(),
            SHADES.iter().map(|pair| pair.1).collect(),
        ] {
            let mut list: Vec<&str> = list;
            let all = list.len();
            list.sort_unstable();
            list.dedup();
            assert_eq!(list.len(), all);
        }
    }
}
