//! A disk in memory that fills up, fails, dawdles and forgets what was not synced, as real ones do.

use std::collections::{BTreeMap, BTreeSet};
use std::io::{Error, ErrorKind, Result};
use std::path::{Path, PathBuf};
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};
use std::time::Duration;

use wattproof_runs::{Disk, Growing};

use crate::fault::Kind;
use crate::site::Site;

/// After this long a write counts as failed: what the daemon's own disk layer allows.
const SLOWEST: Duration = Duration::from_secs(5);
/// Once in how many operations others go first.
const YIELDS_ONCE_IN: usize = 3;

/// What the disk holds, whoever writes to it.
#[derive(Debug, Default)]
pub struct Platters(Mutex<Held>);

#[derive(Debug, Default)]
struct Held {
    files: BTreeMap<PathBuf, File>,
    folders: BTreeSet<PathBuf>,
}

#[derive(Debug, Default)]
struct File {
    bytes: Vec<u8>,
    /// So many bytes survive a power cut.
    durable: usize,
}

impl Platters {
    fn held(&self) -> MutexGuard<'_, Held> {
        self.0.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// The power fails: of what was not synced only a part is left, by `left` (from 0 to 1).
    pub fn power_fails(&self, left: f64) {
        for file in self.held().files.values_mut() {
            let loose = file.bytes.len().saturating_sub(file.durable);
            file.bytes.truncate(file.durable + (loose as f64 * left) as usize);
            file.durable = file.bytes.len();
        }
    }

    /// The newest run's folder.
    pub fn run(&self) -> Option<PathBuf> {
        let held = self.held();
        let journals = held.files.keys().filter(|path| path.ends_with("journal.jsonl"));
        journals.max().and_then(|path| path.parent()).map(Path::to_path_buf)
    }

    /// A file of the newest run.
    pub fn of_run(&self, name: &str) -> Option<Vec<u8>> {
        let path = self.run()?.join(name);
        self.held().files.get(&path).map(|file| file.bytes.clone())
    }

    /// What the last whole durable line of the newest run's journal says.
    pub fn last_durable_line(&self) -> Option<Vec<u8>> {
        let path = self.run()?.join("journal.jsonl");
        let held = self.held();
        let file = held.files.get(&path)?;
        let whole = file.bytes.get(..file.durable)?.strip_suffix(b"\n")?;
        let start = whole.iter().rposition(|byte| *byte == b'\n').map_or(0, |at| at + 1);
        whole.get(start..).map(<[u8]>::to_vec)
    }
}

/// The disk as one daemon sees it.
pub struct DaemonDisk {
    /// The site.
    pub site: Arc<Site>,
    /// Which daemon.
    pub daemon: u64,
}

/// An open file of one daemon.
struct Open {
    site: Arc<Site>,
    daemon: u64,
    path: PathBuf,
    failed: bool,
}

/// What a daemon asks of its disk.
#[derive(Debug, Clone, Copy, PartialEq)]
enum Asked {
    Write,
    Sync,
    Look,
}

/// What an operation meets: death, slowness, faults. `torn` is called when the daemon dies in the midst of it.
fn meets(site: &Arc<Site>, daemon: u64, asked: Asked, torn: &dyn Fn()) -> Result<()> {
    site.scheduler.give_way(YIELDS_ONCE_IN);
    let dead = || Error::other("the daemon is dead");
    if site.is_dead(daemon) {
        return Err(dead());
    }
    if asked == Asked::Look {
        return Ok(());
    }
    if site.strikes_disk(Kind::DiskSlow) {
        let length = site.random(|random| Duration::from_secs_f64(random.between(0.2, 7.0)));
        site.scheduler.wait(None, Some(length.min(SLOWEST)));
        if length > SLOWEST {
            return Err(Error::from(ErrorKind::TimedOut));
        }
    }
    if site.strikes_disk(Kind::DiskFull) && asked == Asked::Write {
        return Err(Error::from(ErrorKind::StorageFull));
    }
    if site.strikes_disk(Kind::DiskError) {
        return Err(Error::from_raw_os_error(5));
    }
    if site.strikes_disk(Kind::DeathAtWrite) || site.strikes_disk(Kind::PowerLoss) {
        torn();
    }
    if crate::surroundings::die_if_due(site) || site.is_dead(daemon) { Err(dead()) } else { Ok(()) }
}

impl DaemonDisk {
    fn meets(&self, asked: Asked) -> Result<()> {
        let (site, daemon) = (&self.site, self.daemon);
        meets(site, daemon, asked, &|| {})
    }

    fn open(&self, path: &Path) -> Box<dyn Growing> {
        let (site, path) = (Arc::clone(&self.site), path.to_path_buf());
        Box::new(Open { site, daemon: self.daemon, path, failed: false })
    }
}

impl Disk for DaemonDisk {
    fn make_folder(&self, path: &Path) -> Result<()> {
        self.meets(Asked::Write)?;
        let new = self.site.platters.held().folders.insert(path.to_path_buf());
        if new { Ok(()) } else { Err(Error::from(ErrorKind::AlreadyExists)) }
    }

    fn create(&self, path: &Path) -> Result<Box<dyn Growing>> {
        self.meets(Asked::Write)?;
        {
            let mut held = self.site.platters.held();
            if held.files.contains_key(path) {
                return Err(Error::from(ErrorKind::AlreadyExists));
            }
            held.files.insert(path.to_path_buf(), File::default());
        }
        Ok(self.open(path))
    }

    fn reopen(&self, path: &Path, keep: u64) -> Result<Box<dyn Growing>> {
        self.meets(Asked::Write)?;
        {
            let mut held = self.site.platters.held();
            let file = held.files.get_mut(path).ok_or_else(|| Error::from(ErrorKind::NotFound))?;
            file.bytes.truncate(usize::try_from(keep).unwrap_or(usize::MAX));
            file.durable = file.bytes.len();
        }
        Ok(self.open(path))
    }

    fn write_whole(&self, path: &Path, bytes: &[u8]) -> Result<()> {
        self.meets(Asked::Write)?;
        let file = File { bytes: bytes.to_vec(), durable: bytes.len() };
        self.site.platters.held().files.insert(path.to_path_buf(), file);
        Ok(())
    }

    fn read(&self, path: &Path) -> Result<Vec<u8>> {
        self.meets(Asked::Look)?;
        let held = self.site.platters.held();
        held.files.get(path).map(|file| file.bytes.clone()).ok_or_else(|| Error::from(ErrorKind::NotFound))
    }

    fn remove(&self, path: &Path) -> Result<()> {
        self.meets(Asked::Look)?;
        let gone = self.site.platters.held().files.remove(path);
        gone.map(|_| ()).ok_or_else(|| Error::from(ErrorKind::NotFound))
    }
}

impl Open {
    fn is_journal(&self) -> bool {
        self.path.ends_with("journal.jsonl")
    }

    /// Invariant 15: after a failure nothing more is asked of the same handle, and the run ends.
    fn judged(&mut self, result: Result<()>) -> Result<()> {
        if self.site.is_dead(self.daemon) {
            return result;
        }
        let at_s = self.site.scheduler.now_s();
        if self.failed && self.is_journal() {
            let what = format!("{} was used again after a write had failed", self.path.display());
            self.site.checker().broken(15, at_s, "used again", what);
        }
        if result.is_err() && self.is_journal() {
            self.failed = true;
            self.site.checker().disk_fails(at_s);
        }
        result
    }
}

impl Growing for Open {
    fn append(&mut self, bytes: &[u8]) -> Result<()> {
        let torn = || {
            let part = self.site.random(|random| random.below(bytes.len() + 1));
            if let Some(file) = self.site.platters.held().files.get_mut(&self.path) {
                file.bytes.extend_from_slice(bytes.get(..part).unwrap_or_default());
            }
        };
        let met = meets(&self.site, self.daemon, Asked::Write, &torn);
        if met.is_ok()
            && let Some(file) = self.site.platters.held().files.get_mut(&self.path)
        {
            file.bytes.extend_from_slice(bytes);
        }
        self.judged(met)
    }

    fn sync(&mut self) -> Result<()> {
        let met = meets(&self.site, self.daemon, Asked::Sync, &|| {});
        if let Some(file) = self.site.platters.held().files.get_mut(&self.path) {
            match &met {
                Ok(()) => file.durable = file.bytes.len(),
                // Some systems forget what could not be written and tell so once only.
                Err(_) if !self.site.is_dead(self.daemon) => file.bytes.truncate(file.durable),
                Err(_) => {}
            }
        }
        self.judged(met)
    }
}
