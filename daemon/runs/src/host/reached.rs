//! Which lines of a script were performed: what a rehearsal never came to, nobody has tried.

use std::collections::BTreeSet;
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};

use rhai::debugger::DebuggerCommand;
use rhai::{AST, ASTNode, Engine, Expr, Stmt};

/// Lines of a script, from 1.
#[derive(Debug, Default)]
pub struct LinesReached(Mutex<Lines>);

#[derive(Debug, Default)]
struct Lines {
    /// Those on which a statement begins.
    there: BTreeSet<usize>,
    reached: BTreeSet<usize>,
}

impl LinesReached {
    fn lines(&self) -> MutexGuard<'_, Lines> {
        self.0.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// Lines that were never performed, in runs that follow each other: first and last of each.
    pub fn missed(&self) -> Vec<(usize, usize)> {
        let lines = self.lines();
        let mut missed: Vec<(usize, usize)> = Vec::new();
        let mut goes_on = false;
        for line in &lines.there {
            if lines.reached.contains(line) {
                goes_on = false;
                continue;
            }
            match missed.last_mut() {
                Some((_, last)) if goes_on => *last = *line,
                _ => missed.push((*line, *line)),
            }
            goes_on = true;
        }
        missed
    }

    /// Notes what a script holds.
    pub(super) fn read(&self, ast: &AST) {
        let mut lines = self.lines();
        ast.walk(&mut |path: &[ASTNode<'_>]| {
            if let Some(ASTNode::Stmt(statement)) = path.last()
                // The word for the version does nothing.
                && !matches!(statement, Stmt::Expr(word) if matches!(**word, Expr::Custom(..)))
                && let Some(line) = statement.position().line()
            {
                lines.there.insert(line);
            }
            true
        });
    }

    /// Notes from now on what an engine performs.
    #[expect(deprecated, reason = "not deprecated, but marked so by rhai since it may change")]
    pub(super) fn watch(self: &Arc<Self>, engine: &mut Engine) {
        let noting = Arc::clone(self);
        engine.register_debugger(
            |_, debugger| debugger,
            move |_, _, node, _, position| {
                if let (ASTNode::Stmt(_), Some(line)) = (node, position.line()) {
                    noting.lines().reached.insert(line);
                }
                Ok(DebuggerCommand::StepInto)
            },
        );
    }
}
