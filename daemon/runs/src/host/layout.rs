//! How a script is laid out: which version it asks for, whether it has parameters, and whether they come first.

use rhai::{AST, ASTNode, Expr, Position, Stmt};

/// The word by which a script says for which version it is written.
pub const REQUIRES: &str = "requires";
/// What a script may ask for: the versions of the functions that this program speaks.
const SPOKEN: [&str; 1] = ["wattproof 1"];

/// What was found.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Layout {
    /// Whether it says which version it is written for.
    pub says_version: bool,
    /// Whether it calls `param()` at all.
    pub has_parameters: bool,
}

/// Looks a script's tree over; `asks_bench` tells whether a function asks for bench or nameplate.
///
/// # Errors
/// What is wrong, with its place.
pub fn layout(ast: &AST, asks_bench: impl Fn(&str) -> bool) -> Result<Layout, (Position, String)> {
    let mut says = None;
    let mut parameters = Vec::new();
    ast.walk(&mut |path| {
        match path.last() {
            Some(ASTNode::Expr(Expr::Custom(custom, at)))
                if custom.tokens.first().is_some_and(|word| word == REQUIRES) =>
            {
                let version = match custom.inputs.first() {
                    Some(Expr::StringConstant(text, _)) => text.to_string(),
                    _ => String::new(),
                };
                says.get_or_insert((version, *at));
            }
            Some(ASTNode::Expr(Expr::FnCall(call, at)) | ASTNode::Stmt(Stmt::FnCall(call, at)))
                if call.name == "param" =>
            {
                parameters.push(*at);
            }
            _ => {}
        }
        true
    });
    if let Some((version, at)) = &says {
        let first = ast.statements().first().map(Stmt::position);
        if first.is_some_and(|first| before(first, *at)) {
            return Err((
                *at,
                format!("{REQUIRES} \"{version}\"; stands first in a script, before every other statement"),
            ));
        }
        if !SPOKEN.contains(&version.as_str()) {
            let spoken = SPOKEN.map(|spoken| format!("{REQUIRES} \"{spoken}\";")).join(" ");
            return Err((
                *at,
                format!(
                    "this program does not speak \"{version}\"; it speaks {spoken} take a program of that version, or mend the script"
                ),
            ));
        }
    }
    parameters_first(ast, &parameters, asks_bench)?;
    Ok(Layout { says_version: says.is_some(), has_parameters: !parameters.is_empty() })
}

/// At the top level the order of the text is the order of what is done, as far as it can be known without doing it.
fn parameters_first(
    ast: &AST,
    parameters: &[Position],
    asks_bench: impl Fn(&str) -> bool,
) -> Result<(), (Position, String)> {
    let mut first: Option<(String, Position)> = None;
    let mut late = None;
    for statement in ast.statements() {
        statement.walk(&mut Vec::new(), &mut |path| {
            if let Some(ASTNode::Expr(Expr::FnCall(call, at)) | ASTNode::Stmt(Stmt::FnCall(call, at))) =
                path.last()
            {
                match &first {
                    None if asks_bench(&call.name) => first = Some((call.name.to_string(), *at)),
                    Some((name, asked)) if parameters.contains(at) && before(*asked, *at) => {
                        late.get_or_insert((name.clone(), *asked, *at));
                    }
                    _ => {}
                }
            }
            true
        });
    }
    let Some((name, asked, at)) = late else { return Ok(()) };
    Err((
        at,
        format!(
            "param() comes after {name}() in line {}: parameters come before everything that asks for bench or nameplate, so that they can be listed and set beforehand",
            asked.line().unwrap_or(0)
        ),
    ))
}

fn before(a: Position, b: Position) -> bool {
    (a.line(), a.position()) < (b.line(), b.position())
}
