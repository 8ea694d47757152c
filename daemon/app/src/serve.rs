//! `wattproof serve`: holds benches and a queue of runs, answers the command line, the page and other programs.

use std::net::{IpAddr, Ipv4Addr, SocketAddr};
use std::path::{Path, PathBuf};

use clap::Args;
use tokio::signal::unix::{SignalKind, signal};
use wattproof_bench::BenchFile;
use wattproof_catalogue::Place as CataloguePlace;
use wattproof_serve::{BenchPlace, Place, Settings, Tls, serve as serve_on};

use crate::cautions::CAUTIONS;
use crate::failure::Failure;
use crate::say::say;
use crate::state_folder::{all_state, folder_name};

/// Where HTTP is listened for unless told otherwise.
pub const LISTEN: SocketAddr = SocketAddr::new(IpAddr::V4(Ipv4Addr::LOCALHOST), 8650);
/// Descriptors for a thousand pages that look on, and more.
const DESCRIPTORS: u64 = 8192;

/// `serve`.
#[derive(Args)]
pub struct ServeOrder {
    /// A bench file; may be repeated for several benches
    #[arg(long, value_name = "FILE", required_unless_present = "view")]
    pub bench: Vec<PathBuf>,
    /// A read-only view of recorded runs instead: search, entries and units over --catalogue or --results, without any bench
    #[arg(long, conflicts_with_all = ["bench", "scripts", "nameplates", "out"])]
    pub view: bool,
    /// What the view is over: a database of several benches, as postgres://user@host/database
    #[arg(long, value_name = "PLACE", requires = "view", conflicts_with = "results")]
    pub catalogue: Option<String>,
    /// What the view is over: the catalogue of a folder of all runs
    #[arg(long, value_name = "DIR", requires = "view", default_value = "results")]
    pub results: PathBuf,
    /// Folder of scripts to choose from
    #[arg(long, value_name = "DIR", default_value = "scripts")]
    pub scripts: PathBuf,
    /// Folder of nameplates to choose from
    #[arg(long, value_name = "DIR", default_value = ".")]
    pub nameplates: PathBuf,
    /// Folder of all runs
    #[arg(long, value_name = "DIR", default_value = "results")]
    pub out: PathBuf,
    /// Folder of what outlasts a restart: queue, token, latched trips [default: the user's own for state]
    #[arg(long, value_name = "DIR", env = "WATTPROOF_STATE")]
    pub state: Option<PathBuf>,
    /// How it is reached
    #[command(flatten)]
    pub listening: Listening,
}

/// How the daemon is reached.
#[derive(Args)]
pub struct Listening {
    /// Address and port; one beyond this machine wants the token for everything
    #[arg(long, value_name = "ADDRESS:PORT", default_value_t = LISTEN)]
    pub listen: SocketAddr,
    /// A further name by which browsers may ask for it; may be repeated
    #[arg(long, value_name = "NAME")]
    pub host_name: Vec<String>,
    /// Certificate chain for TLS, PEM
    #[arg(long, value_name = "FILE", requires = "tls_key")]
    pub tls_certificate: Option<PathBuf>,
    /// Its private key, PEM
    #[arg(long, value_name = "FILE", requires = "tls_certificate")]
    pub tls_key: Option<PathBuf>,
}

impl Listening {
    fn tls(&self) -> Option<Tls> {
        let (certificate, key) = (self.tls_certificate.clone()?, self.tls_key.clone()?);
        Some(Tls { certificate, key })
    }
}

/// Serves until SIGTERM or Ctrl-C.
pub fn serve(order: &ServeOrder) -> Result<(), Failure> {
    let state = all_state(order.state.as_deref()).ok_or_else(|| {
        Failure::Said("there is no folder for queue and token: name one with --state".into())
    })?;
    // Runs are started from elsewhere.
    let state =
        std::path::absolute(&state).map_err(|source| Failure::File { path: state.clone(), source })?;
    if order.view {
        return serve_view(order, &state);
    }
    let benches = order.bench.iter().map(|file| bench_place(file, &state)).collect::<Result<_, _>>()?;
    aside!("{CAUTIONS}\n");
    serve_benches(
        Settings {
            benches,
            view: None,
            scripts: order.scripts.clone(),
            nameplates: order.nameplates.clone(),
            results: order.out.clone(),
            state: state.join("daemon"),
            listen: order.listening.listen,
            host_names: order.listening.host_name.clone(),
            tls: order.listening.tls(),
            program: this_program()?,
            cautions: CAUTIONS,
        },
        ready,
    )
}

/// Serves a view: nothing here can switch anything on, so there is no caution to print and no bench to hold.
fn serve_view(order: &ServeOrder, state: &Path) -> Result<(), Failure> {
    let over = match &order.catalogue {
        Some(place) => CataloguePlace::parse(place)?,
        None => CataloguePlace::of_runs(&order.results),
    };
    // A folder of its own: a daemon of this user may hold benches beside it.
    let state = state.join("view");
    let settings = Settings {
        benches: Vec::new(),
        view: Some(over.clone()),
        scripts: PathBuf::new(),
        nameplates: PathBuf::new(),
        results: state.clone(),
        state,
        listen: order.listening.listen,
        host_names: order.listening.host_name.clone(),
        tls: order.listening.tls(),
        program: this_program()?,
        cautions: CAUTIONS,
    };
    serve_benches(settings, move |place| view_ready(place, &over))
}

/// Says where the view is, and over what.
fn view_ready(place: &Place, over: &CataloguePlace) {
    tell(&format!(
        "The page: {}\nA read-only view over {over}. From beyond this machine it needs what stands behind #, which is in {}\nCtrl-C ends it.",
        place.page,
        place.token_file.display()
    ));
}

/// A bench of the daemon's, with what it is called in addresses.
pub fn bench_place(file: &Path, state: &Path) -> Result<BenchPlace, Failure> {
    let read = BenchFile::read(file)?;
    let (name, invented) = (read.name, read.virtual_bench);
    let file = file.canonicalize().map_err(|source| Failure::File { path: file.into(), source })?;
    let id = folder_name(&name);
    Ok(BenchPlace { state: state.join(&id), id, file, invented })
}

/// This program's own file.
pub fn this_program() -> Result<PathBuf, Failure> {
    std::env::current_exe()
        .map_err(|source| Failure::System { what: "finding this program's own file", source })
}

/// Serves until a signal; `ready` hears where, once it is answered.
pub fn serve_benches(mut settings: Settings, ready: impl FnOnce(&Place)) -> Result<(), Failure> {
    more_descriptors();
    unlike(&settings.benches)?;
    for folder in [&mut settings.results, &mut settings.state] {
        std::fs::create_dir_all(&*folder).map_err(|source| Failure::File { path: folder.clone(), source })?;
        *folder = folder.canonicalize().map_err(|source| Failure::File { path: folder.clone(), source })?;
    }
    let runtime = tokio::runtime::Builder::new_multi_thread()
        .worker_threads(2)
        .enable_all()
        .build()
        .map_err(|source| Failure::System { what: "starting the runtime", source })?;
    runtime.block_on(async {
        let wrap = |source| Failure::System { what: "listening for signals", source };
        let mut interrupts = signal(SignalKind::interrupt()).map_err(wrap)?;
        let mut terms = signal(SignalKind::terminate()).map_err(wrap)?;
        let ended = async move {
            tokio::select! {
                _ = interrupts.recv() => "Ctrl-C at the daemon",
                _ = terms.recv() => "SIGTERM to the daemon",
            }
        };
        serve_on(settings, ready, ended).await.map_err(|error| Failure::Said(error.to_string()))
    })
}

/// Benches of one name would share a folder and an address.
fn unlike(benches: &[BenchPlace]) -> Result<(), Failure> {
    for (at, bench) in benches.iter().enumerate() {
        if let Some(other) = benches[..at].iter().find(|other| other.id == bench.id) {
            return Err(Failure::Said(format!(
                "{} and {} are benches of one name, so they would share one latched trip: give each a `name` of its own ({})",
                other.file.display(),
                bench.file.display(),
                if bench.invented {
                    "`wattproof virtual-bench --name NAME`, or in the file"
                } else {
                    "in its file"
                }
            )));
        }
    }
    Ok(())
}

/// Says where the page is, and systemd that it is answered.
pub fn ready(place: &Place) {
    let text = format!(
        "The page: {}\nWhat stands behind # lets it switch outputs on: keep it to yourself. It is in {}\nCtrl-C switches every output off and ends.",
        place.page,
        place.token_file.display()
    );
    tell(&text);
}

fn tell(text: &str) {
    // Nobody reads: the daemon serves all the same.
    if say(text).is_err() {
        tracing::info!("standard output is closed");
    }
    crate::service::tell_ready();
}

/// As many descriptors as the system allows, up to what a thousand pages need.
fn more_descriptors() {
    let mut limit = rustix::process::getrlimit(rustix::process::Resource::Nofile);
    if limit.current.is_some_and(|most| most < DESCRIPTORS) {
        limit.current = limit.maximum.map_or(Some(DESCRIPTORS), |most| Some(most.min(DESCRIPTORS)));
        if let Err(error) = rustix::process::setrlimit(rustix::process::Resource::Nofile, limit) {
            tracing::warn!(%error, "fewer pages can look on: the limit of open files was not raised");
        }
    }
}
