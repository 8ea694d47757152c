//! Where requests come in: TCP, with TLS where asked, and the unix socket of the command line. Slow heads, too many
//! connections and half-open ones end by themselves; nothing here waits for a run.

use std::io::{BufReader, ErrorKind};
use std::net::SocketAddr;
use std::os::unix::fs::{FileTypeExt, PermissionsExt};
use std::path::Path;
use std::sync::Arc;
use std::time::Duration;

use axum::{Extension, Router};
use hyper::server::conn::http1;
use hyper_util::rt::{TokioIo, TokioTimer};
use hyper_util::service::TowerToHyperService;
use tokio::io::{AsyncRead, AsyncWrite};
use tokio::net::{TcpListener, UnixListener};
use tokio::sync::Semaphore;
use tokio_rustls::TlsAcceptor;
use tokio_rustls::rustls::ServerConfig;
use tokio_rustls::rustls::pki_types::pem::PemObject;
use tokio_rustls::rustls::pki_types::{CertificateDer, PrivateKeyDer};
use tokio_util::sync::CancellationToken;
use tokio_util::task::TaskTracker;

use crate::http::Via;
use crate::settings::{ServeError, Tls};

/// Longest that the head of a request may take.
const HEAD_TIME: Duration = Duration::from_secs(10);
/// Longest that a handshake may take.
const HANDSHAKE_TIME: Duration = Duration::from_secs(10);
/// Longest head, bytes.
const HEAD_BYTES_MAX: usize = 64 * 1024;
/// Most connections at once: every listener of events, and room for those who ask.
const CONNECTIONS_MAX: usize = 4500;
/// After the system refused a connection, for want of descriptors as a rule.
const PAUSE: Duration = Duration::from_millis(100);

/// What every listener shares.
#[derive(Clone)]
pub struct Door {
    router: Router,
    room: Arc<Semaphore>,
    /// The tasks of all connections.
    pub tasks: TaskTracker,
    ending: CancellationToken,
}

impl Door {
    /// To what is answered, until it is ended.
    pub fn new(router: Router, ending: CancellationToken) -> Self {
        Door { router, room: Arc::new(Semaphore::new(CONNECTIONS_MAX)), tasks: TaskTracker::new(), ending }
    }

    /// Takes TCP connections until the end.
    pub async fn tcp(self, listener: TcpListener, tls: Option<TlsAcceptor>) {
        loop {
            let accepted = tokio::select! {
                () = self.ending.cancelled() => return,
                accepted = listener.accept() => accepted,
            };
            let Some((stream, from)) = taken(accepted).await else { continue };
            let (door, tls) = (self.clone(), tls.clone());
            self.tasks.spawn(async move {
                let Ok(_place) = Arc::clone(&door.room).try_acquire_owned() else { return };
                let via = Via::Tcp(from.ip());
                match tls {
                    None => door.answer(stream, via).await,
                    Some(tls) => match tokio::time::timeout(HANDSHAKE_TIME, tls.accept(stream)).await {
                        Ok(Ok(stream)) => door.answer(stream, via).await,
                        Ok(Err(error)) => tracing::debug!(%from, %error, "no TLS handshake"),
                        Err(_) => tracing::debug!(%from, "the TLS handshake took too long"),
                    },
                }
            });
        }
    }

    /// Takes connections of the command line until the end.
    pub async fn socket(self, listener: UnixListener) {
        let me = rustix::process::geteuid().as_raw();
        loop {
            let accepted = tokio::select! {
                () = self.ending.cancelled() => return,
                accepted = listener.accept() => accepted,
            };
            let Some((stream, _)) = taken(accepted).await else { continue };
            // Root may open anybody's socket, and may do as it likes anyway.
            let own = stream.peer_cred().is_ok_and(|peer| peer.uid() == me || peer.uid() == 0);
            let door = self.clone();
            if own {
                self.tasks.spawn(async move { door.answer(stream, Via::Socket).await });
            } else {
                tracing::warn!("another user tried the socket of the command line");
            }
        }
    }

    async fn answer<S: AsyncRead + AsyncWrite + Unpin + Send + 'static>(&self, stream: S, via: Via) {
        let service = TowerToHyperService::new(self.router.clone().layer(Extension(via)));
        let mut builder = http1::Builder::new();
        builder.timer(TokioTimer::new()).header_read_timeout(HEAD_TIME).max_buf_size(HEAD_BYTES_MAX);
        let connection = builder.serve_connection(TokioIo::new(stream), service);
        tokio::pin!(connection);
        let ended = tokio::select! {
            ended = connection.as_mut() => ended,
            () = self.ending.cancelled() => {
                connection.as_mut().graceful_shutdown();
                connection.await
            }
        };
        if let Err(error) = ended {
            tracing::debug!(%error, "a connection ended");
        }
    }
}

async fn taken<T>(accepted: std::io::Result<T>) -> Option<T> {
    match accepted {
        Ok(accepted) => Some(accepted),
        Err(error) => {
            tracing::warn!(%error, "a connection was not taken");
            tokio::time::sleep(PAUSE).await;
            None
        }
    }
}

/// Listens on an address.
///
/// # Errors
/// The address is taken, or not one of this machine.
pub async fn bind(address: SocketAddr) -> Result<TcpListener, ServeError> {
    TcpListener::bind(address).await.map_err(|source| ServeError::Io {
        what: "listening on",
        path: address.to_string(),
        source,
        next: "choose another with --listen (port 0 takes any that is free)",
    })
}

/// Listens on a socket that only this user can open. One that a dead daemon left is taken away.
///
/// # Errors
/// A daemon lives there, or the folder can't be written.
pub fn bind_socket(path: &Path) -> Result<UnixListener, ServeError> {
    let fail = |source| ServeError::Io {
        what: "listening on",
        path: path.display().to_string(),
        source,
        next: "name another folder with --state",
    };
    let bind = || {
        let listener = UnixListener::bind(path)?;
        std::fs::set_permissions(path, std::fs::Permissions::from_mode(0o600))?;
        Ok::<_, std::io::Error>(listener)
    };
    match bind() {
        Err(error) if error.kind() == ErrorKind::AddrInUse => {
            if std::os::unix::net::UnixStream::connect(path).is_ok() {
                return Err(ServeError::Said(format!(
                    "a daemon answers on {} already: end it first, or name another folder with --state",
                    path.display()
                )));
            }
            // Nobody answers: it was left behind.
            if path.symlink_metadata().is_ok_and(|about| about.file_type().is_socket()) {
                std::fs::remove_file(path).map_err(fail)?;
            }
            bind().map_err(fail)
        }
        bound => bound.map_err(fail),
    }
}

/// TLS from certificate and key.
///
/// # Errors
/// A file can't be read, or they do not belong together.
pub fn tls(files: &Tls) -> Result<TlsAcceptor, ServeError> {
    let fail = |path: &Path, error: &dyn std::fmt::Display| {
        ServeError::Said(format!(
            "TLS: {}: {error}; give a certificate chain and its private key, PEM",
            path.display()
        ))
    };
    let open =
        |path: &Path| std::fs::File::open(path).map(BufReader::new).map_err(|error| fail(path, &error));
    let chain: Result<Vec<_>, _> = CertificateDer::pem_reader_iter(open(&files.certificate)?).collect();
    let chain = chain.map_err(|error| fail(&files.certificate, &error))?;
    let key = PrivateKeyDer::from_pem_reader(open(&files.key)?).map_err(|error| fail(&files.key, &error))?;
    let provider = Arc::new(tokio_rustls::rustls::crypto::ring::default_provider());
    let config = ServerConfig::builder_with_provider(provider)
        .with_safe_default_protocol_versions()
        .map_err(|error| fail(&files.certificate, &error))?
        .with_no_client_auth()
        .with_single_cert(chain, key)
        .map_err(|error| fail(&files.certificate, &error))?;
    Ok(TlsAcceptor::from(Arc::new(config)))
}
