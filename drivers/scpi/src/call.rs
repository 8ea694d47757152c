//! What an instrument's command handler gets and gives.

use std::ops::RangeInclusive;

use crate::error::ScpiError;
use crate::param::Param;
use crate::response::Reply;
use crate::status::Status;

/// A command's or query's handler.
pub type Handler<D> = fn(&mut D, &mut Call<'_>) -> Result<(), ScpiError>;

/// One pattern of an instrument's command tree and what it does.
pub struct Command<D> {
    /// Such as `[SOURce:]VOLTage[:LEVel]`; with `?` at the end it is the query form, without it the command
    /// form. See [`crate::tree`].
    pub pattern: &'static str,
    /// How many parameters are allowed: fewer are −109, more are −108, before the handler is called.
    pub params: RangeInclusive<usize>,
    /// What it does.
    pub handler: Handler<D>,
}

impl<D> Command<D> {
    /// A command taking as many parameters as `params` says.
    #[must_use]
    pub fn new(pattern: &'static str, params: RangeInclusive<usize>, handler: Handler<D>) -> Self {
        Self { pattern, params, handler }
    }
}

/// One execution of a command.
pub struct Call<'a> {
    /// The numeric suffix of each `#` of the pattern in order; 1 where left out.
    pub suffixes: &'a [u32],
    /// The parameters; their count has been checked.
    pub params: &'a [Param<'a>],
    /// Where a query writes its answer. If the handler fails, what it wrote is taken back.
    pub reply: &'a mut Reply,
    /// The status structure, to raise events or read the queue.
    pub status: &'a mut Status,
    pub(crate) query: bool,
}

impl<'a> Call<'a> {
    /// Whether the header was the query form.
    #[must_use]
    pub fn query(&self) -> bool {
        self.query
    }

    /// The suffix of the pattern's `#` number `index`, from 0.
    ///
    /// # Errors
    /// −114 outside `allowed`.
    pub fn suffix(&self, index: usize, allowed: RangeInclusive<u32>) -> Result<u32, ScpiError> {
        let suffix = self.suffixes.get(index).copied().unwrap_or(1);
        if !allowed.contains(&suffix) {
            let (from, to) = allowed.into_inner();
            return Err(ScpiError::with_info(-114, format!("the suffix goes from {from} to {to}")));
        }
        Ok(suffix)
    }

    /// Parameter number `index`, from 0.
    ///
    /// # Errors
    /// −109 when it was left out.
    pub fn param(&self, index: usize) -> Result<&'a Param<'a>, ScpiError> {
        self.params.get(index).ok_or_else(|| ScpiError::new(-109))
    }

    /// Parameter number `index`, from 0, if it was given.
    #[must_use]
    pub fn optional(&self, index: usize) -> Option<&'a Param<'a>> {
        self.params.get(index)
    }
}
