//! The daemon of the bench PC: a queue of runs for each of its benches, and what is told of them to the command line,
//! to a page and to other programs.
//!
//! In come settings and HTTP requests; out go answers, events, and runs: each a process of its own that holds its bench
//! and switches everything off when this one dies. So nothing that is asked here can hold up a run's safety loop. Only
//! `daemon/app` may call this room. It must not know ports, SCPI, or how anything is measured; it reads recorded runs
//! through `daemon/report` alone.

mod answering;
mod asking;
mod bench;
mod child;
mod daemon;
mod events;
mod http;
mod job;
mod listen;
mod metrics;
mod publishing;
mod queue;
mod reset;
mod settings;
mod starts;
mod token;
mod told;

use std::os::unix::fs::{DirBuilderExt, PermissionsExt};
use std::sync::Arc;
use std::time::Duration;

use tokio::task::JoinHandle;
use tokio::time::timeout;
use tokio_util::sync::CancellationToken;
use wattproof_bench::{BenchFile, check_dialects};
use wattproof_catalogue::Place as CataloguePlace;

pub use bench::{Bench, GuardState, Latched, OutputsState};
pub use child::typed;
pub use http::document;
pub use job::{Hold, Job, JobOutcome, JobState};
pub use settings::{BenchPlace, Place, SOCKET_FILE, ServeError, Settings, Tls};
pub use token::TOKEN_FILE;
pub use told::{Ordered, Told};

use answering::Answering;
use asking::Asking;
use daemon::Daemon;
use http::{Access, Ground};
use listen::{Door, bind, bind_socket, tls};
use queue::Store;

/// Longest that answers may take to end once the runs have.
const LAST_ANSWERS: Duration = Duration::from_secs(2);
/// Longest that the disk may take for the queue as it is at the end.
const LAST_WRITE: Duration = Duration::from_secs(10);

/// Serves until `ended` comes: then every run is told to stop, and this returns when all of them are over and their
/// records closed.
///
/// # Errors
/// [`ServeError`] when it can't be started.
pub async fn serve(
    settings: Settings,
    ready: impl FnOnce(&Place),
    ended: impl Future<Output = &'static str>,
) -> Result<(), ServeError> {
    private_folder(&settings)?;
    let token = token::token(&settings.state)?;
    let benches = settings.benches.iter().map(closed).collect::<Result<Vec<_>, ServeError>>()?;
    let acceptor = settings.tls.as_ref().map(tls).transpose()?;
    let listener = bind(settings.listen).await?;
    let socket_path = settings.state.join(SOCKET_FILE);
    let socket = bind_socket(&socket_path)?;
    let address = listener.local_addr().map_err(|error| ServeError::Said(format!("listening: {error}")))?;
    // The queue after the socket: two daemons must not both write it.
    let kept = Store::open(&settings.state).map_err(|source| ServeError::Io {
        what: "opening the queue in",
        path: settings.state.display().to_string(),
        source,
        next: "make the folder readable and writable, or name another with --state",
    })?;
    let scheme = if acceptor.is_some() { "https" } else { "http" };
    let place = Place {
        page: format!("{scheme}://{address}/#token={token}"),
        token_file: settings.state.join(TOKEN_FILE),
        socket: socket_path.clone(),
    };
    let mut names = settings.host_names.clone();
    names.push(match address.ip() {
        std::net::IpAddr::V4(ip) => ip.to_string(),
        std::net::IpAddr::V6(ip) => format!("[{ip}]"),
    });
    let access = Access::new(&token, &names, !address.ip().is_loopback(), acceptor.is_some());
    let daemon = Arc::new(Daemon::new(settings, benches, kept, token::boot()?));
    let ending = CancellationToken::new();
    let (answering, asked) = (Answering::start()?, Answering::start_catalogue()?);
    let asking = asking(&daemon.settings, &asked);
    let ground = Ground::new(Arc::clone(&daemon), access, asking, ending.clone());
    let door = Door::new(http::router(ground), ending.clone());
    let tcp = answering.runtime().spawn(door.clone().tcp(listener, acceptor));
    // The command line's stop is answered beside the runs, whatever comes in over TCP.
    let local = tokio::spawn(door.clone().socket(socket));
    let publishing = publishing(&daemon.settings, ending.clone());
    let ids: Vec<String> = daemon.benches().into_iter().map(|bench| bench.bench).collect();
    let busy: Vec<_> =
        ids.into_iter().map(|id| tokio::spawn(child::keep_busy(Arc::clone(&daemon), id))).collect();
    ready(&place);
    let by = ended.await;
    daemon.close(by);
    // The page sees how the runs end: answers end last.
    for run in busy {
        if let Err(error) = run.await {
            tracing::error!(%error, "whoever starts runs failed; please report it with the log");
        }
    }
    let settling = Arc::clone(&daemon);
    if let Err(error) = tokio::task::spawn_blocking(move || settling.settle(LAST_WRITE)).await {
        tracing::error!(%error, "the queue was not waited for; please report it with the log");
    }
    ending.cancel();
    door.tasks.close();
    if timeout(LAST_ANSWERS, door.tasks.wait()).await.is_err() {
        tracing::debug!("some answers were cut off");
    }
    for ended in [Some(tcp), Some(local), publishing].into_iter().flatten() {
        ended.abort();
    }
    answering.end();
    asked.end();
    if let Err(error) = std::fs::remove_file(&socket_path) {
        tracing::warn!(%error, "the socket was not taken away");
    }
    Ok(())
}

/// The catalogue of this daemon's own runs, or the one that a view is over.
fn asking(settings: &Settings, asked: &Answering) -> Asking {
    let thread = asked.runtime().clone();
    match &settings.view {
        Some(place) => Asking::new(place.clone(), None, thread),
        None => {
            Asking::new(CataloguePlace::of_runs(&settings.results), Some(settings.results.clone()), thread)
        }
    }
}

/// Sends what waits in the catalogue; a view has nothing to send.
fn publishing(settings: &Settings, ending: CancellationToken) -> Option<JoinHandle<()>> {
    let keep = || tokio::spawn(publishing::keep_publishing(settings.results.clone(), ending));
    settings.view.is_none().then(keep)
}

/// What a job's script and the token are kept in is nobody else's, also where the folder was there before.
fn private_folder(settings: &Settings) -> Result<(), ServeError> {
    let made = std::fs::DirBuilder::new().recursive(true).mode(0o700).create(&settings.state);
    let closed =
        made.and_then(|()| std::fs::set_permissions(&settings.state, std::fs::Permissions::from_mode(0o700)));
    closed.map_err(|source| ServeError::Io {
        what: "making the folder",
        path: settings.state.display().to_string(),
        source,
        next: "name another with --state",
    })
}

fn closed(place: &BenchPlace) -> Result<Bench, ServeError> {
    let file = BenchFile::read(&place.file)?;
    check_dialects(&file).map_err(|error| ServeError::Said(error.to_string()))?;
    Ok(Bench::closed(place, file.name))
}
