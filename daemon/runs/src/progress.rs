//! What a watching person is told while a run goes on.

use wattproof_method::selfcheck::SelfCheck;

use crate::{Finding, NotMeasured, RatingResult, Step};

/// Something happened.
#[derive(Debug)]
pub enum Event<'a> {
    /// The run has its folder, of this name.
    Opened(&'a str),
    /// What the run does now, in plain words.
    Doing(&'a str),
    /// The self-check has come to its end.
    Checked(&'a SelfCheck),
    /// How many steps the whole run will take, as far as is known now.
    Planned(u64),
    /// A step is finished and recorded.
    Stepped(&'a Step),
    /// A rating has been judged and recorded.
    Judged(&'a RatingResult),
    /// A rating is left out: the bench, as it is wired, can't serve it.
    LeftOut(&'a NotMeasured),
    /// A script found something out, and it is recorded.
    Found(&'a Finding),
    /// A script printed something.
    Printed(&'a str),
}

/// Somebody who watches a run. Called from the script's thread: must not block.
pub trait Watcher: Send + Sync {
    /// Tells what happened.
    fn tell(&self, event: &Event<'_>);
}
