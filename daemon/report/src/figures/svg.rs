//! One SVG being written.

use std::fmt::{Arguments, Write};

use super::legend::shortened;
use super::style::{DASHES, KINDS, STYLE};

/// Where a figure stands.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Setting {
    /// In a file of its own: it brings its style.
    Alone,
    /// In a page that has the style once for all.
    Inside,
}

/// Which side of its point a text stands.
#[derive(Debug, Clone, Copy)]
pub(crate) enum Anchor {
    Start,
    Middle,
    End,
}

impl Anchor {
    fn word(self) -> &'static str {
        match self {
            Anchor::Start => "start",
            Anchor::Middle => "middle",
            Anchor::End => "end",
        }
    }
}

/// A picture being drawn; units are those of its view box.
pub(crate) struct Svg {
    body: String,
    width: f64,
}

impl Svg {
    pub fn new(width: f64) -> Self {
        Svg { body: String::new(), width }
    }

    pub fn add(&mut self, what: Arguments<'_>) {
        // Writing to a string can't fail.
        let _ = writeln!(self.body, "{what}");
    }

    /// Class `""` is plain text.
    pub fn text(&mut self, (x, y): (f64, f64), anchor: Anchor, class: &str, text: &str) {
        let (anchor, text) = (anchor.word(), xml_text(text));
        let class = if class.is_empty() { String::new() } else { format!(" class=\"{class}\"") };
        self.add(format_args!(
            "<text x=\"{x:.1}\" y=\"{y:.1}\" text-anchor=\"{anchor}\"{class}>{text}</text>"
        ));
    }

    /// Title and lines below it, at the top; what is wider than the picture is cut.
    pub fn head(&mut self, (left, right): (f64, f64), title: &str, lines: &[&str]) {
        // Letters of a title are larger.
        self.text((left, 24.0), Anchor::Start, "wp-title", &shortened(title, 0.8 * (right - left)));
        for (number, line) in lines.iter().enumerate() {
            let y = 44.0 + 18.0 * number as f64;
            self.text((left, y), Anchor::Start, "wp-quiet", &shortened(line, right - left));
        }
    }

    pub fn line(&mut self, (x1, y1): (f64, f64), (x2, y2): (f64, f64), class: &str) {
        self.add(format_args!(
            "<line x1=\"{x1:.1}\" y1=\"{y1:.1}\" x2=\"{x2:.1}\" y2=\"{y2:.1}\" class=\"{class}\"/>"
        ));
    }

    /// A line through points, in the colour of one kind and the dash of another.
    pub fn path(&mut self, points: &[(f64, f64)], colour: usize, dash: usize) {
        if points.len() < 2 {
            return;
        }
        let mut list = String::new();
        for (x, y) in points {
            let _ = write!(list, "{x:.1},{y:.1} ");
        }
        let dash = match DASHES.get(dash % KINDS) {
            Some(dash) if !dash.is_empty() => format!(" stroke-dasharray=\"{dash}\""),
            _ => String::new(),
        };
        self.add(format_args!(
            "<polyline points=\"{}\" class=\"wp-line wp-k{}\"{dash}/>",
            list.trim_end(),
            colour % KINDS
        ));
    }

    /// The mark of a kind: a shape of its own, in a colour.
    pub fn mark(&mut self, (x, y): (f64, f64), shape: usize, colour: usize, radius: f64) {
        let (r, c) = (radius, colour % KINDS);
        let solid = format!("class=\"wp-mark wp-k{c} wp-f{c}\"");
        let open = format!("class=\"wp-bar wp-k{c}\"");
        match shape % KINDS {
            0 => self.add(format_args!("<circle cx=\"{x:.1}\" cy=\"{y:.1}\" r=\"{r}\" {solid}/>")),
            1 => self.add(format_args!(
                "<rect x=\"{:.1}\" y=\"{:.1}\" width=\"{}\" height=\"{}\" {solid}/>",
                x - r,
                y - r,
                2.0 * r,
                2.0 * r
            )),
            2 => self.add(format_args!(
                "<path d=\"M{x:.1} {:.1}L{:.1} {:.1}H{:.1}Z\" {solid}/>",
                y - 1.2 * r,
                x + 1.2 * r,
                y + r,
                x - 1.2 * r
            )),
            3 => self.add(format_args!(
                "<path d=\"M{x:.1} {:.1}L{:.1} {y:.1}L{x:.1} {:.1}L{:.1} {y:.1}Z\" {solid}/>",
                y - 1.3 * r,
                x + 1.3 * r,
                y + 1.3 * r,
                x - 1.3 * r
            )),
            4 => self.add(format_args!(
                "<path d=\"M{:.1} {:.1}l{d} {d}m0 -{d}l-{d} {d}\" {open}/>",
                x - r,
                y - r,
                d = 2.0 * r
            )),
            _ => self.add(format_args!(
                "<path d=\"M{:.1} {y:.1}h{d}M{x:.1} {:.1}v{d}\" {open}/>",
                x - 1.2 * r,
                y - 1.2 * r,
                d = 2.4 * r
            )),
        }
    }

    /// The whole picture: `title` names it, `describe` tells what it shows to who can't see it.
    pub fn finish(self, height: f64, title: &str, describe: &str, setting: Setting) -> String {
        let style =
            if setting == Setting::Alone { format!("<style>{STYLE}</style>\n") } else { String::new() };
        let (title, width) = (xml_text(title), self.width);
        format!(
            "<svg xmlns=\"http://www.w3.org/2000/svg\" class=\"wp-fig\" role=\"img\" aria-label=\"{title}\" \
             width=\"{width}\" height=\"{height:.0}\" viewBox=\"0 0 {width} {height:.0}\">\n<title>{title}</title>\n\
             <desc>{}</desc>\n{style}<rect class=\"wp-ground\" width=\"{width}\" height=\"{height:.0}\"/>\n{}</svg>\n",
            xml_text(describe),
            self.body
        )
    }
}

/// Text as it may stand in XML 1.0, in elements and in attributes: marks that must not stand in text are escaped, control
/// characters that can't stand there at all are replaced.
#[must_use]
pub fn xml_text(text: &str) -> String {
    let mut out = String::with_capacity(text.len());
    for c in text.chars() {
        match c {
            '&' => out.push_str("&amp;"),
            '<' => out.push_str("&lt;"),
            '>' => out.push_str("&gt;"),
            '"' => out.push_str("&quot;"),
            '\'' => out.push_str("&#39;"),
            '\n' | '\t' => out.push(' '),
            c if c.is_control() || matches!(c, '\u{fffe}' | '\u{ffff}') => out.push('\u{fffd}'),
            c => out.push(c),
        }
    }
    out
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn no_text_can_break_a_picture() {
        // XML 1.0, sections 2.2, 2.4 and 3.1 (from memory).
        assert_eq!(xml_text("a<b>&\u{1}c\"'"), "a&lt;b&gt;&amp;\u{fffd}c&quot;&#39;");
        let title = "<script>alert(1)</script>\"\u{0}";
        for setting in [Setting::Alone, Setting::Inside] {
            let mut svg = Svg::new(100.0);
            svg.text((1.0, 2.0), Anchor::Start, "", title);
            let text = svg.finish(50.0, title, title, setting);
            let tree = roxmltree::Document::parse(&text).unwrap();
            assert!(tree.descendants().all(|node| !node.has_tag_name("script")));
            assert_eq!(tree.root_element().attribute("role"), Some("img"));
        }
    }
}
