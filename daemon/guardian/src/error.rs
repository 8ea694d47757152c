//! What can go wrong while a guardian is started.

/// A guardian that can't be started, or can't begin its watch.
#[derive(Debug, thiserror::Error)]
pub enum GuardianError {
    /// The orders can't be followed.
    #[error("the guardian's orders make no sense: {0}; please report this")]
    Orders(String),
    /// The operating system refused something.
    #[error(
        "the guardian can't be started: {doing}: {source}; close other programs, or reboot, and try again"
    )]
    System {
        /// What was tried.
        doing: &'static str,
        /// What the system said.
        source: std::io::Error,
    },
    /// It was started but never said that it was ready.
    #[error(
        "the guardian was started but did not report within {waited_s} s ({seen}); try again when the machine is less busy"
    )]
    NotReady {
        /// How long it was waited for, s.
        waited_s: f64,
        /// What was seen instead.
        seen: &'static str,
    },
}

impl GuardianError {
    pub(crate) fn system(doing: &'static str) -> impl Fn(rustix::io::Errno) -> GuardianError {
        move |errno| GuardianError::System { doing, source: errno.into() }
    }
}
