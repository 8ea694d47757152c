//! What was found, how bad it is, and what to do.

use serde::Serialize;

/// How bad it is.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum Level {
    /// As it should be.
    Ok,
    /// Better mended.
    Warning,
    /// Must be fixed before a bench runs unattended.
    Fix,
}

/// One line of the doctor.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct Finding {
    /// How bad it is.
    pub level: Level,
    /// What was looked at.
    pub about: String,
    /// What was found.
    pub found: String,
    /// What to do, empty when nothing.
    pub remedy: String,
}

impl Finding {
    pub fn ok(about: impl Into<String>, found: impl Into<String>) -> Self {
        Finding { level: Level::Ok, about: about.into(), found: found.into(), remedy: String::new() }
    }

    pub fn warning(about: impl Into<String>, found: impl Into<String>, remedy: impl Into<String>) -> Self {
        Finding { level: Level::Warning, about: about.into(), found: found.into(), remedy: remedy.into() }
    }

    pub fn fix(about: impl Into<String>, found: impl Into<String>, remedy: impl Into<String>) -> Self {
        Finding { level: Level::Fix, about: about.into(), found: found.into(), remedy: remedy.into() }
    }
}

impl std::fmt::Display for Finding {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        let word = match self.level {
            Level::Ok => "ok",
            Level::Warning => "warning",
            Level::Fix => "must be fixed",
        };
        write!(f, "{word:13}  {}: {}", self.about, self.found)?;
        if self.remedy.is_empty() { Ok(()) } else { write!(f, "\n{:15}{}", "", self.remedy) }
    }
}
