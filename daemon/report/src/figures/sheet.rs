//! A figure: what the drawing library made, put one below the other, under a title, as one SVG.

use kuva::backend::svg::SvgBackend;
use kuva::render::color::Color;
use kuva::render::render::{Primitive, Scene, TextAnchor};

use super::legend::{Sample, legend, shortened, text_at};
use super::panel::{INNER, LEFT, Panel, WIDTH};
use super::style::{QUIET, style};
use super::xml::{drawn_text, xml_text};

const TITLE_SIZE: u32 = 15;

/// Where a figure stands.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Setting {
    /// In a file of its own: it brings its style.
    Alone,
    /// In a page that has the style once for all.
    Inside,
}

/// A figure being put together, from the top down.
pub(crate) struct Sheet {
    scene: Scene,
    end: f64,
}

impl Sheet {
    /// Begins with title and lines below it; what is wider than the figure is cut.
    pub fn new(title: &str, lines: &[&str]) -> Self {
        let mut sheet = Sheet { scene: Scene::new(WIDTH, 0.0).with_background(None), end: 24.0 };
        // Letters of a title are larger.
        sheet.scene.add(Primitive::Text {
            x: LEFT,
            y: 24.0,
            content: drawn_text(&shortened(title, 0.8 * INNER)),
            size: TITLE_SIZE,
            anchor: TextAnchor::Start,
            rotate: None,
            bold: true,
            color: None,
        });
        for line in lines {
            sheet.quiet(line);
        }
        sheet.end += 8.0;
        sheet
    }

    /// A line of less weight.
    pub fn quiet(&mut self, line: &str) {
        self.end += 19.0;
        let mut text = text_at((LEFT, self.end), TextAnchor::Start, &shortened(line, INNER));
        if let Primitive::Text { color, .. } = &mut text {
            *color = Some(Color::from(QUIET));
        }
        self.scene.add(text);
    }

    pub fn panel(&mut self, panel: Panel) {
        self.put(panel.drawn());
    }

    pub fn legend(&mut self, entries: &[(Sample, String)]) {
        self.end += 8.0;
        self.put(legend(entries));
    }

    fn put(&mut self, (elements, height): (Vec<Primitive>, f64)) {
        let transform = Some(format!("translate(0,{:.1})", self.end));
        self.scene.add(Primitive::GroupStart { transform, title: None, extra_attrs: None });
        elements.into_iter().for_each(|part| self.scene.add(part));
        self.scene.add(Primitive::GroupEnd);
        self.end += height;
    }

    /// The whole figure: `title` names it, `describe` tells what it shows to who can't see it. The library's own `<svg>`
    /// knows no role, name or view box, so ours stands in its place.
    pub fn finish(self, title: &str, describe: &str, setting: Setting) -> String {
        let style =
            if setting == Setting::Alone { format!("<style>{}</style>\n", style()) } else { String::new() };
        let drawn = SvgBackend::new().render_scene(&self.scene);
        let body = drawn.split_once('>').map_or("", |(_, rest)| rest).trim_end();
        let body = body.strip_suffix("</svg>").unwrap_or(body);
        let (title, describe, height) = (xml_text(title), xml_text(describe), self.end + 12.0);
        format!(
            "<svg xmlns=\"http://www.w3.org/2000/svg\" class=\"wp-fig\" role=\"img\" aria-label=\"{title}\" \
             width=\"{WIDTH}\" height=\"{height:.0}\" viewBox=\"0 0 {WIDTH} {height:.0}\">\n<title>{title}</title>\n\
             <desc>{describe}</desc>\n{style}<rect width=\"{WIDTH}\" height=\"{height:.0}\" fill=\"#ffffff\"/>\n\
             {body}</svg>\n"
        )
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn no_text_can_break_a_figure() {
        // XML 1.0, sections 2.2 and 2.4 (from memory).
        let title = "<script>alert(1)</script>\"& $a$ \\$ \u{0}";
        for setting in [Setting::Alone, Setting::Inside] {
            let mut sheet = Sheet::new(title, &[title]);
            sheet.legend(&[(Sample::Rated, title.into())]);
            let text = sheet.finish(title, title, setting);
            let tree = roxmltree::Document::parse(&text).unwrap();
            assert!(tree.descendants().all(|node| !node.has_tag_name("script")));
            assert_eq!(tree.root_element().attribute("role"), Some("img"));
            let texts: Vec<_> = tree.descendants().filter(|node| node.has_tag_name("text")).collect();
            let shown = "<script>alert(1)</script>\"& $a$ \\$ \u{fffd}";
            assert!(texts.len() == 3 && texts.iter().all(|node| node.text() == Some(shown)), "{text}");
        }
    }
}
