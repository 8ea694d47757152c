//! What the daemon is started with.

use std::net::SocketAddr;
use std::path::PathBuf;

use wattproof_catalogue::Place as CataloguePlace;

/// A bench that the daemon holds.
#[derive(Debug, Clone)]
pub struct BenchPlace {
    /// What it is called in addresses: from its name, small letters, digits and dashes.
    pub id: String,
    /// Its bench file.
    pub file: PathBuf,
    /// Where its latched trip is kept: a folder of its own.
    pub state: PathBuf,
    /// Whether it is a virtual bench.
    pub invented: bool,
}

/// Certificate chain and key, PEM.
#[derive(Debug, Clone)]
pub struct Tls {
    /// The chain.
    pub certificate: PathBuf,
    /// Its private key.
    pub key: PathBuf,
}

/// Everything the daemon is started with.
#[derive(Debug, Clone)]
pub struct Settings {
    /// The benches.
    pub benches: Vec<BenchPlace>,
    /// A read-only view over this catalogue instead: no bench, no queue, no run, and nothing is ever changed.
    pub view: Option<CataloguePlace>,
    /// Folder of scripts to choose from.
    pub scripts: PathBuf,
    /// Folder of nameplates to choose from.
    pub nameplates: PathBuf,
    /// Folder of all runs.
    pub results: PathBuf,
    /// Folder of queue, token and socket; this user's alone.
    pub state: PathBuf,
    /// Where HTTP is listened for.
    pub listen: SocketAddr,
    /// Names beyond `localhost` and addresses by which browsers may ask for it.
    pub host_names: Vec<String>,
    /// TLS instead of plain HTTP.
    pub tls: Option<Tls>,
    /// The program that performs a run, and the words that come before the run's own.
    pub program: PathBuf,
    /// What is shown before anything is switched on.
    pub cautions: &'static str,
}

/// Where the daemon answers.
#[derive(Debug, Clone)]
pub struct Place {
    /// The page, with what lets it change things behind `#`.
    pub page: String,
    /// The file with the token.
    pub token_file: PathBuf,
    /// The socket of the command line.
    pub socket: PathBuf,
}

/// Name of the socket in the state folder.
pub const SOCKET_FILE: &str = "wattproof.sock";

/// The daemon could not be started.
#[derive(Debug, thiserror::Error)]
pub enum ServeError {
    /// The operating system refused.
    #[error("{what} {path}: {source}; {next}")]
    Io {
        /// What was tried.
        what: &'static str,
        /// With what.
        path: String,
        /// Why.
        source: std::io::Error,
        /// What to do.
        next: &'static str,
    },
    /// A bench file can't be used.
    #[error("{0}")]
    BenchFile(#[from] wattproof_bench::BenchFileError),
    /// Anything else, in full words.
    #[error("{0}")]
    Said(String),
}
