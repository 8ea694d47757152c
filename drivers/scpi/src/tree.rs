//! The command tree: patterns such as `[SOURce:]VOLTage[:LEVel]`, `OUTPut#[:STATe]` and
//! `MEASure[:SCALar]:CURRent[:DC]?` become one tree of nodes, in which a header is found by walking down.
//!
//! `[]` marks optional nodes, `#` a numeric suffix, `|` alternatives (`TRACe|DATA[:DATA]?`), `?` the query
//! form. Optional nodes are written out when a pattern is added, so that looking up costs one walk.

use crate::mnemonic::Mnemonic;

/// A pattern that the tree cannot take.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum TreeError {
    /// The pattern breaks the notation.
    #[error("command pattern `{pattern}`: {reason}; write it like `[SOURce:]VOLTage[:LEVel]?`")]
    Pattern {
        /// The pattern.
        pattern: String,
        /// What is wrong with it.
        reason: &'static str,
    },
    /// Another pattern already answers one of this pattern's headers.
    #[error(
        "command pattern `{pattern}`: another pattern already takes one of its headers; drop one of them"
    )]
    Duplicate {
        /// The pattern.
        pattern: String,
    },
}

/// What a header leads to.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Found {
    /// The id given with the pattern.
    pub id: usize,
    /// The numeric suffix of each `#` of the pattern in order; 1 where it was left out.
    pub suffixes: Vec<u32>,
}

#[derive(Debug, Clone)]
struct Leaf {
    id: usize,
    /// For each `#` of the pattern, the depth of its node, or `None` when an optional node was left out.
    slots: Vec<Option<usize>>,
}

#[derive(Debug, Clone, Default)]
struct Node {
    children: Vec<(Mnemonic, usize)>,
    command: Option<Leaf>,
    query: Option<Leaf>,
}

/// The command tree.
#[derive(Debug, Clone)]
pub struct Tree {
    nodes: Vec<Node>,
}

impl Default for Tree {
    fn default() -> Self {
        Self { nodes: vec![Node::default()] }
    }
}

#[derive(Debug, Clone)]
struct Part {
    names: Vec<Mnemonic>,
    optional: bool,
}

impl Tree {
    /// Adds a pattern under `id`.
    ///
    /// # Errors
    /// A malformed pattern, or one whose headers are taken already.
    pub fn insert(&mut self, pattern: &str, id: usize) -> Result<(), TreeError> {
        if self.add(pattern, id)? {
            return Err(TreeError::Duplicate { pattern: pattern.to_owned() });
        }
        Ok(())
    }

    /// Adds a pattern under `id` for those of its headers that are still free.
    ///
    /// # Errors
    /// A malformed pattern.
    pub fn insert_missing(&mut self, pattern: &str, id: usize) -> Result<(), TreeError> {
        self.add(pattern, id).map(|_| ())
    }

    /// Adds what is free; true when something was taken.
    fn add(&mut self, pattern: &str, id: usize) -> Result<bool, TreeError> {
        let (body, query) = match pattern.strip_suffix('?') {
            Some(body) => (body, true),
            None => (pattern, false),
        };
        let parts =
            parse(body).map_err(|reason| TreeError::Pattern { pattern: pattern.to_owned(), reason })?;
        let mut taken = false;
        for (path, slots) in expand(&parts) {
            let mut at = 0;
            for name in path {
                at = self.child(at, name);
            }
            if let Some(node) = self.nodes.get_mut(at) {
                let place = if query { &mut node.query } else { &mut node.command };
                match place {
                    // A pattern whose optional nodes repeat a name can reach one header in two ways.
                    Some(leaf) => taken |= leaf.id != id,
                    None => *place = Some(Leaf { id, slots }),
                }
            }
        }
        Ok(taken)
    }

    fn child(&mut self, parent: usize, name: &Mnemonic) -> usize {
        let found = self.nodes.get(parent).and_then(|n| n.children.iter().find(|(m, _)| m == name));
        if let Some((_, index)) = found {
            return *index;
        }
        let index = self.nodes.len();
        self.nodes.push(Node::default());
        if let Some(node) = self.nodes.get_mut(parent) {
            node.children.push((name.clone(), index));
        }
        index
    }

    /// Finds what the header `path` leads to; `None` is an undefined header.
    #[must_use]
    pub fn lookup(&self, path: &[&str], query: bool) -> Option<Found> {
        let mut suffixes = Vec::with_capacity(path.len());
        let leaf = self.walk(0, path, query, &mut suffixes)?;
        let suffixes = leaf.slots.iter().map(|slot| slot.and_then(|d| suffixes.get(d).copied()).unwrap_or(1));
        Some(Found { id: leaf.id, suffixes: suffixes.collect() })
    }

    fn walk(&self, at: usize, path: &[&str], query: bool, suffixes: &mut Vec<u32>) -> Option<&Leaf> {
        let node = self.nodes.get(at)?;
        let Some((word, rest)) = path.split_first() else {
            return if query { node.query.as_ref() } else { node.command.as_ref() };
        };
        for (name, next) in &node.children {
            if let Some(suffix) = name.matches(word) {
                suffixes.push(suffix);
                if let Some(leaf) = self.walk(*next, rest, query, suffixes) {
                    return Some(leaf);
                }
                suffixes.pop();
            }
        }
        None
    }
}

/// Most optional nodes in one pattern; each doubles the headers written out.
const OPTIONAL_MAX: usize = 8;

/// Reads a pattern without its `?`.
fn parse(body: &str) -> Result<Vec<Part>, &'static str> {
    let mut parts = Vec::new();
    let mut rest = body;
    while !rest.is_empty() {
        let (inner, optional, after) = match rest.strip_prefix('[') {
            Some(open) => {
                let (inner, after) = open.split_once(']').ok_or("a [ has no ]")?;
                (inner, true, after)
            }
            None => {
                let end = rest.find('[').unwrap_or(rest.len());
                let (inner, after) = rest.split_at_checked(end).ok_or("it is not ASCII")?;
                (inner, false, after)
            }
        };
        for piece in inner.split(':').filter(|piece| !piece.is_empty()) {
            let names: Option<Vec<Mnemonic>> = alternatives(piece).map(Mnemonic::new).collect();
            let names = names.ok_or("a mnemonic is malformed")?;
            parts.push(Part { names, optional });
        }
        rest = after;
    }
    parts = merge_alternatives(parts, body);
    if parts.iter().all(|part| part.optional) {
        return Err("no node is mandatory");
    }
    if parts.iter().filter(|part| part.optional).count() > OPTIONAL_MAX {
        return Err("more than eight nodes are optional");
    }
    Ok(parts)
}

fn alternatives(piece: &str) -> impl Iterator<Item = &str> {
    piece.split('|').filter(|name| !name.is_empty())
}

/// `[:CW|:FIXed]` writes alternatives with a colon each, which the split at colons has parted: join them.
fn merge_alternatives(parts: Vec<Part>, body: &str) -> Vec<Part> {
    if !body.contains("|:") {
        return parts;
    }
    let mut joined: Vec<Part> = Vec::new();
    // A piece that ended in `|` goes on in the next one.
    let open: Vec<bool> =
        body.split([':', '[', ']']).filter(|p| !p.is_empty()).map(|piece| piece.ends_with('|')).collect();
    let mut previous_open = false;
    for (part, is_open) in parts.into_iter().zip(open) {
        match joined.last_mut() {
            Some(last) if previous_open => last.names.extend(part.names),
            _ => joined.push(part),
        }
        previous_open = is_open;
    }
    joined
}

type Expanded<'a> = (Vec<&'a Mnemonic>, Vec<Option<usize>>);

/// Every header a pattern stands for, with where its suffixes are.
fn expand(parts: &[Part]) -> Vec<Expanded<'_>> {
    let mut all: Vec<Expanded<'_>> = vec![(Vec::new(), Vec::new())];
    for part in parts {
        let has_slot = part.names.iter().any(Mnemonic::suffixed);
        let mut next = Vec::new();
        for (path, slots) in all {
            for name in &part.names {
                let mut longer = path.clone();
                longer.push(name);
                let mut more = slots.clone();
                if has_slot {
                    more.push(name.suffixed().then_some(path.len()));
                }
                next.push((longer, more));
            }
            if part.optional {
                let mut more = slots;
                if has_slot {
                    more.push(None);
                }
                next.push((path, more));
            }
        }
        all = next;
    }
    all
}
