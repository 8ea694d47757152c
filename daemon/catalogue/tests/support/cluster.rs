//! A PostgreSQL server of the test's own: in a folder of its own, on a unix socket alone, gone with the test.

use std::ffi::OsStr;
use std::fs;
use std::os::unix::fs::{MetadataExt, PermissionsExt, chown};
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Output, Stdio};
use std::sync::mpsc;
use std::thread;
use std::time::{Duration, Instant};

use wattproof_catalogue::Place;

/// Set where no server is installed and the tests of it are to be left out.
const WITHOUT: &str = "WATTPROOF_TESTS_WITHOUT_POSTGRESQL";

/// Who the server runs as, since it refuses root.
const NOBODY: u32 = 65534;

pub struct Cluster {
    programs: PathBuf,
    folder: tempfile::TempDir,
    server: Option<Child>,
    /// Whether what it commits is on the disk before it says so.
    durable: bool,
}

/// The folder of `initdb` and `postgres`: by the search path, then where Debian puts them.
fn programs() -> Option<PathBuf> {
    let path = std::env::var_os("PATH").unwrap_or_default();
    let mut folders: Vec<PathBuf> = std::env::split_paths(&path).collect();
    // A link to the server may stand where its companions don't.
    folders.extend(
        std::env::split_paths(&path).filter_map(|folder| {
            fs::canonicalize(folder.join("postgres")).ok()?.parent().map(Path::to_owned)
        }),
    );
    let mut versions: Vec<PathBuf> = fs::read_dir("/usr/lib/postgresql")
        .map(|entries| entries.map(|entry| entry.unwrap().path().join("bin")).collect())
        .unwrap_or_default();
    versions.sort();
    folders.extend(versions.into_iter().rev());
    folders
        .into_iter()
        .find(|folder| ["initdb", "postgres", "psql"].iter().all(|name| folder.join(name).is_file()))
}

impl Cluster {
    /// Starts one; none where the tests of it are to be left out.
    pub fn start() -> Option<Self> {
        Self::start_with(false)
    }

    /// The same, which loses nothing when it is killed.
    pub fn start_durable() -> Option<Self> {
        Self::start_with(true)
    }

    fn start_with(durable: bool) -> Option<Self> {
        let Some(programs) = programs() else {
            let without = std::env::var_os(WITHOUT).is_some_and(|value| value == "1");
            assert!(without, "no PostgreSQL server: install the package postgresql, or set {WITHOUT}=1");
            eprintln!("left out: no PostgreSQL server is installed");
            return None;
        };
        let folder = super::folder();
        let mut cluster = Self { programs, folder, server: None, durable };
        fs::set_permissions(cluster.folder.path(), fs::Permissions::from_mode(0o755)).unwrap();
        let data = cluster.data();
        fs::create_dir(&data).unwrap();
        if is_root() {
            chown(&data, Some(NOBODY), Some(NOBODY)).unwrap();
        }
        // The language of the database sorts words unlike bytes, which the catalogue must not be moved by. Servers
        // before version 15 have no such language for whole databases.
        let languages = [
            vec!["--locale-provider=icu", "--icu-locale=en-US", "--locale=C.UTF-8"],
            vec!["--locale=C.UTF-8"],
        ];
        let initdb = |language: &Vec<&str>| {
            let mut command = cluster.as_server("initdb");
            command.args(["--no-sync", "--auth=trust", "--username=wattproof", "--encoding=UTF8"]);
            command.args(language).arg("--pgdata").arg(&data).output().unwrap()
        };
        let mut made = initdb(&languages[0]);
        if !made.status.success() {
            made = initdb(&languages[1]);
        }
        succeeded(&made, "initdb");
        cluster.serve();
        Some(cluster)
    }

    fn data(&self) -> PathBuf {
        self.folder.path().join("data")
    }

    /// A program of the server's, run as somebody whom it accepts.
    fn as_server(&self, program: &str) -> Command {
        let program = self.programs.join(program);
        let mut command = Command::new("setpriv");
        command.current_dir("/").env("LC_ALL", "C.UTF-8");
        // A test that is killed takes its server with it.
        command.arg("--pdeathsig=QUIT");
        if is_root() {
            command.args([format!("--reuid={NOBODY}"), format!("--regid={NOBODY}")]).arg("--clear-groups");
        }
        command.arg("--").arg(program);
        command
    }

    /// Starts the server and waits until it answers.
    pub fn serve(&mut self) {
        let until = Instant::now() + Duration::from_secs(60);
        let mut child = spawned(self.postgres());
        while !self.psql("postgres", "SELECT 1").status.success() {
            assert!(Instant::now() < until, "postgres does not answer\n{}", self.log());
            thread::sleep(Duration::from_millis(30));
            if child.try_wait().unwrap().is_some() {
                // What is left of one that was killed may hold the memory of the folder for a moment longer.
                thread::sleep(Duration::from_millis(100));
                child = spawned(self.postgres());
            }
        }
        self.server = Some(child);
    }

    fn postgres(&self) -> Command {
        let sync = if self.durable { "on" } else { "off" };
        let log = fs::File::options().create(true).append(true).open(self.folder.path().join("log")).unwrap();
        let mut command = self.as_server("postgres");
        command.arg("-D").arg(self.data());
        for setting in ["listen_addresses=", "max_connections=40", "shared_buffers=32MB"] {
            command.args(["-c", setting]);
        }
        for setting in ["fsync", "synchronous_commit", "full_page_writes"] {
            command.args(["-c", &format!("{setting}={sync}")]);
        }
        command.arg("-k").arg(self.data()).stdin(Stdio::null()).stdout(log.try_clone().unwrap()).stderr(log);
        command
    }

    pub fn log(&self) -> String {
        fs::read_to_string(self.folder.path().join("log")).unwrap_or_default()
    }

    /// Sends a signal to the server and waits until it is gone.
    pub fn kill(&mut self, signal: rustix::process::Signal) {
        let Some(mut server) = self.server.take() else { return };
        let pid = rustix::process::Pid::from_raw(i32::try_from(server.id()).unwrap()).unwrap();
        rustix::process::kill_process(pid, signal).unwrap();
        server.wait().unwrap();
    }

    /// Where a database of it lies; it is made if it is not there.
    pub fn place(&self, database: &str) -> Place {
        self.psql_in("postgres", &format!("CREATE DATABASE \"{database}\""));
        self.address(database)
    }

    pub fn address(&self, database: &str) -> Place {
        let database = database.replace(' ', "%20");
        Place::parse(&format!("postgres://wattproof@{}/{database}", self.socket())).unwrap()
    }

    /// The folder of its socket, as an address has it.
    pub fn socket(&self) -> String {
        self.data().display().to_string().replace('/', "%2F")
    }

    /// From now on whoever is called so needs a password.
    pub fn ask_for_passwords(&self, role: &str) {
        let rules = self.data().join("pg_hba.conf");
        let before = fs::read_to_string(&rules).unwrap();
        fs::write(&rules, format!("local all {role} scram-sha-256\n{before}")).unwrap();
        self.psql_in("postgres", "SELECT pg_reload_conf()");
        // The rules are read again a moment later.
        self.until(
            "postgres",
            "SELECT count(*) FROM pg_hba_file_rules WHERE auth_method = 'scram-sha-256'",
            "1",
        );
        thread::sleep(Duration::from_millis(300));
    }

    /// Asks again and again until the answer is as expected.
    pub fn until(&self, database: &str, sql: &str, expected: &str) {
        let until = Instant::now() + Duration::from_secs(20);
        while self.psql_in(database, sql) != expected {
            assert!(Instant::now() < until, "{sql}");
            thread::sleep(Duration::from_millis(20));
        }
    }

    /// A client that goes on on its own.
    pub fn psql_held(&self, database: &str, sql: &str) -> Child {
        let mut command = Command::new(self.programs.join("psql"));
        command.args(["--no-psqlrc", "--quiet", "--username=wattproof", "--dbname", database]);
        command.args(["--command", sql, "--host"]).arg(self.data());
        command.stdout(Stdio::null()).stderr(Stdio::null()).spawn().unwrap()
    }

    fn psql(&self, database: &str, sql: &str) -> Output {
        Command::new(self.programs.join("psql"))
            .args(["--no-psqlrc", "--quiet", "--tuples-only", "--no-align", "--set=ON_ERROR_STOP=1"])
            .args(["--username=wattproof", "--dbname", database, "--command", sql, "--host"])
            .arg(self.data())
            .env("PGCONNECT_TIMEOUT", "5")
            .output()
            .unwrap()
    }

    /// What the server's own client says to a statement: a line per row, fields parted by `|`.
    pub fn psql_in(&self, database: &str, sql: &str) -> String {
        let said = self.psql(database, sql);
        succeeded(&said, sql);
        String::from_utf8(said.stdout).unwrap().trim_end_matches('\n').to_owned()
    }
}

impl Drop for Cluster {
    fn drop(&mut self) {
        if self.server.is_some() {
            self.kill(rustix::process::Signal::QUIT);
        }
    }
}

fn is_root() -> bool {
    fs::metadata("/proc/self").unwrap().uid() == 0
}

/// Starts a child from a thread that lives as long as this process: a child dies with the thread that started it.
fn spawned(mut command: Command) -> Child {
    let (sender, receiver) = mpsc::channel();
    thread::spawn(move || {
        sender.send(command.spawn()).unwrap();
        loop {
            thread::park();
        }
    });
    receiver.recv().unwrap().unwrap()
}

fn succeeded(said: &Output, what: impl AsRef<OsStr>) {
    let text = String::from_utf8_lossy(&said.stderr);
    assert!(said.status.success(), "{:?}: {}\n{text}", what.as_ref(), said.status);
}
