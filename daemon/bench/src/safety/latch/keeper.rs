//! Keeps the files as the guard's latch is, on a thread that waits for nothing else.

use std::fs::File;
use std::io::{ErrorKind, Write};
use std::os::unix::fs::OpenOptionsExt;
use std::path::{Path, PathBuf};
use std::sync::{Arc, Condvar, Mutex, MutexGuard, PoisonError};
use std::thread::JoinHandle;
use std::time::{Duration, SystemTime, UNIX_EPOCH};

use wattproof_guard::{Guard, LatchRecord, State};

use super::note::Note;
use super::{LATCH_FILE, Latch, LatchError, private, read_latch};

/// Keeps the files as the guard's latch is. Without a folder it keeps nothing.
#[derive(Default)]
pub(crate) struct Keeper {
    kept: Option<(Arc<Kept>, JoinHandle<()>)>,
}

struct Kept {
    folder: PathBuf,
    bench: String,
    desk: Mutex<Desk>,
    changed: Condvar,
    /// One writer at a time.
    disk: Mutex<Note>,
}

/// What was handed over and how far it has come.
#[derive(Default)]
struct Desk {
    /// What the guard said last: whether it is an alarm, and how many causes came.
    seen: Option<(bool, u64)>,
    /// What must stand.
    last: Option<LatchRecord>,
    /// How often something was handed over, how often it was noted, and how often it stood or could not be written.
    handed: u64,
    noted: u64,
    written: u64,
    closing: bool,
}

impl Keeper {
    /// Prepares a state folder and takes over what stands there. Waits for the disk: to be called with everything off.
    ///
    /// # Errors
    /// [`LatchError`] when the folder can't be used or is not this user's alone: then a trip could not be kept, and
    /// nothing may be energised.
    pub fn open(folder: Option<PathBuf>, bench: &str) -> Result<(Self, Option<Latch>), LatchError> {
        let Some(folder) = folder else { return Ok((Keeper::default(), None)) };
        let io = |source| LatchError::Io { path: folder.join(LATCH_FILE), source };
        if folder.exists() {
            private::check(&folder)?;
        }
        let standing = read_latch(&folder)?;
        let note = Note::open(&folder).map_err(io)?;
        // Once more: what others may write above it was not looked at while it was not there.
        private::check(&folder)?;
        let desk = Desk { last: standing.as_ref().map(|latch| latch.record.clone()), ..Desk::default() };
        let kept = Arc::new(Kept {
            bench: bench.into(),
            desk: Mutex::new(desk),
            changed: Condvar::new(),
            disk: Mutex::new(note),
            folder: folder.clone(),
        });
        let writer = Arc::clone(&kept);
        let thread =
            std::thread::Builder::new().name("latch".into()).spawn(move || writer.write_on()).map_err(io)?;
        Ok((Keeper { kept: Some((kept, thread)) }, standing))
    }

    /// Hands over what must stand, if that is new; under the guard's lock, and returns at once.
    pub fn look_at(&self, guard: &Guard) {
        let (Some((kept, _)), Some(trip)) = (&self.kept, guard.trip()) else { return };
        let seen = (guard.state() == State::Alarm, trip.evidence.len() as u64 + trip.evidence_more);
        let mut desk = kept.desk();
        if desk.seen == Some(seen) {
            return;
        }
        desk.seen = Some(seen);
        if let Some(record) = guard.latch().filter(|record| desk.last.as_ref() != Some(record)) {
            desk.last = Some(record);
            desk.handed += 1;
            kept.changed.notify_all();
        }
    }

    /// Waits, at most for `patience`, until what was handed over stands on the disk; false when it does not.
    pub fn stands(&self, patience: Duration) -> bool {
        self.waited(patience, |desk| desk.written)
    }

    /// The same until it outlasts this process, though not yet the machine's power.
    pub fn noted(&self, patience: Duration) -> bool {
        self.waited(patience, |desk| desk.noted)
    }

    fn waited(&self, patience: Duration, reached: fn(&Desk) -> u64) -> bool {
        let Some((kept, _)) = &self.kept else { return true };
        let desk = kept.desk();
        let until = desk.handed;
        let waiting = |desk: &mut Desk| reached(desk) < until;
        let waited = kept.changed.wait_timeout_while(desk, patience, waiting);
        !waited.unwrap_or_else(PoisonError::into_inner).1.timed_out()
    }

    /// After a reset, under the same lock of the guard: what comes from now on is another trip.
    pub fn forget(&self) {
        if let Some((kept, _)) = &self.kept {
            let mut desk = kept.desk();
            (desk.seen, desk.last) = (None, None);
        }
    }

    /// Removes what was forgotten from the disk, unless the guard has tripped again meanwhile.
    pub fn clear(&self) -> Result<(), LatchError> {
        let Some((kept, _)) = &self.kept else { return Ok(()) };
        let note = kept.disk.lock().unwrap_or_else(PoisonError::into_inner);
        if kept.desk().last.is_some() {
            return Ok(());
        }
        let path = kept.folder.join(LATCH_FILE);
        note.clear()
            .and_then(|()| remove(&path, &kept.folder))
            .map_err(|source| LatchError::Io { path, source })
    }
}

impl Kept {
    fn desk(&self) -> MutexGuard<'_, Desk> {
        self.desk.lock().unwrap_or_else(PoisonError::into_inner)
    }

    fn write_on(&self) {
        let mut done = 0;
        loop {
            let mut desk = self.desk();
            while desk.handed == done && !desk.closing {
                desk = self.changed.wait(desk).unwrap_or_else(PoisonError::into_inner);
            }
            if desk.handed == done {
                return;
            }
            done = desk.handed;
            drop(desk);
            self.write(done);
        }
    }

    fn write(&self, number: u64) {
        let note = self.disk.lock().unwrap_or_else(PoisonError::into_inner);
        // The latest, which may be newer than that number; none when a reset was quicker.
        let last = self.desk().last.clone();
        if let Some(record) = last {
            let at_unix_s = SystemTime::now().duration_since(UNIX_EPOCH).map_or(0, |since| since.as_secs());
            let latch = Latch { bench: self.bench.clone(), at_unix_s, record };
            let noted = note.write(&latch);
            self.came_to(|desk| desk.noted = number);
            let written = noted.and(write(&self.folder, &latch));
            if let Err(error) = written {
                tracing::error!(
                    "the trip could not be written to {}: {error}; a restart may not know of it: look at the bench before the next run",
                    self.folder.display()
                );
            }
        }
        self.came_to(|desk| (desk.noted, desk.written) = (number, number));
    }

    fn came_to(&self, change: impl FnOnce(&mut Desk)) {
        change(&mut self.desk());
        self.changed.notify_all();
    }
}

impl Drop for Keeper {
    fn drop(&mut self) {
        let Some((kept, thread)) = self.kept.take() else { return };
        kept.came_to(|desk| desk.closing = true);
        if thread.join().is_err() {
            tracing::error!("the thread that writes the trip down had panicked");
        }
    }
}

/// Writes aside, syncs, renames, syncs the folder.
fn write(folder: &Path, latch: &Latch) -> std::io::Result<()> {
    let aside = folder.join("latch.json.new");
    match std::fs::remove_file(&aside) {
        Err(error) if error.kind() != ErrorKind::NotFound => return Err(error),
        _ => {}
    }
    // New, so that no link is followed.
    let mut file = File::options().write(true).create_new(true).mode(0o600).open(&aside)?;
    file.write_all(&serde_json::to_vec_pretty(latch)?)?;
    file.sync_all()?;
    std::fs::rename(&aside, folder.join(LATCH_FILE))?;
    File::open(folder)?.sync_all()
}

fn remove(path: &Path, folder: &Path) -> std::io::Result<()> {
    match std::fs::remove_file(path) {
        Err(error) if error.kind() != ErrorKind::NotFound => return Err(error),
        _ => {}
    }
    File::open(folder)?.sync_all()
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used, reason = "a test fails by panicking")]

    use wattproof_guard::{Limits, Output, TripCause};

    use super::*;

    const LONG: Duration = Duration::from_secs(10);

    fn guard() -> Guard {
        let limits = Limits {
            out_vrms_max: 50.0,
            out_arms_max: 25.0,
            out_w_max: 500.0,
            dc_v_max: 2.0,
            supply_v_max: 16.0,
            supply_a_max: 80.0,
            heatsink_c_max: 90.0,
            source_vrms_max: 2.0,
            source_step_db_max: 6.0,
            load_ohm_min: 1.0,
            power_s_max: 30.0,
            power_w_from: 50.0,
            reading_age_s_max: 2.0,
            heatsink_c_per_s_max: None,
            idle_vrms_max: None,
            switch_on_per_min_max: None,
        };
        Guard::new(limits, 1.0, 7)
    }

    fn cause(n: usize) -> TripCause {
        TripCause::Instrument { what: format!("cause {n}") }
    }

    #[test]
    fn the_latest_record_stands_until_it_is_cleared() {
        let folder = tempfile::tempdir().unwrap();
        let state = folder.path().join("deeper/state");
        let (keeper, standing) = Keeper::open(Some(state.clone()), "b").unwrap();
        assert!(standing.is_none());
        let mut guard = guard();
        for n in 0..12 {
            guard.fault(0.0, cause(n));
            keeper.look_at(&guard);
            keeper.look_at(&guard);
        }
        assert!(keeper.stands(LONG));
        assert_eq!(read_latch(&state).unwrap().unwrap().record, guard.latch().unwrap());
        Output::SAFE_ORDER.into_iter().for_each(|output| guard.confirm(5.0, output, false));
        keeper.look_at(&guard);
        drop(keeper);
        let latch = read_latch(&state).unwrap().unwrap();
        assert_eq!((&latch.record, latch.bench.as_str()), (&guard.latch().unwrap(), "b"));
        assert!(latch.record.alarm && latch.at_unix_s > 1_600_000_000);
        assert!(!state.join("latch.json.new").exists());
        let (keeper, standing) = Keeper::open(Some(state.clone()), "b").unwrap();
        assert_eq!(standing, Some(latch));
        keeper.clear().unwrap();
        assert!(read_latch(&state).unwrap().is_some(), "nobody has reset it");
        keeper.forget();
        keeper.clear().unwrap();
        keeper.clear().unwrap();
        assert!(read_latch(&state).unwrap().is_none());
    }

    #[test]
    fn a_trip_between_a_reset_and_its_clearing_stands() {
        let folder = tempfile::tempdir().unwrap();
        let (keeper, _) = Keeper::open(Some(folder.path().into()), "b").unwrap();
        let mut first = guard();
        first.fault(0.0, cause(1));
        keeper.look_at(&first);
        assert!(keeper.stands(LONG));
        keeper.forget();
        let mut second = guard();
        second.fault(1.0, cause(2));
        keeper.look_at(&second);
        keeper.clear().unwrap();
        assert!(keeper.stands(LONG));
        assert_eq!(read_latch(folder.path()).unwrap().unwrap().record.cause, cause(2));
    }

    /// Fault 41: the note has its room before the disk fills up; whatever keeps the whole latch from being written, it
    /// tells the next start. A folder in its place stands for a disk that takes no new file.
    #[test]
    fn fault_41_a_trip_stands_where_no_new_file_can_be_written() {
        let folder = tempfile::tempdir().unwrap();
        let (keeper, _) = Keeper::open(Some(folder.path().into()), "b").unwrap();
        std::fs::create_dir_all(folder.path().join("latch.json.new/full")).unwrap();
        let mut guard = guard();
        guard.fault(0.0, cause(1));
        keeper.look_at(&guard);
        assert!(keeper.noted(LONG) && keeper.stands(LONG), "an error is told, not waited for");
        drop(keeper);
        assert!(!folder.path().join(LATCH_FILE).exists());
        assert_eq!(read_latch(folder.path()).unwrap().unwrap().record.cause, cause(1));
    }

    /// Fault 44: a disk that hangs holds up nobody but the one who writes; the lock of the writer stands for it.
    #[test]
    fn fault_44_a_trip_is_handed_over_at_once_to_a_disk_that_hangs() {
        let folder = tempfile::tempdir().unwrap();
        let (keeper, _) = Keeper::open(Some(folder.path().into()), "b").unwrap();
        let kept = Arc::clone(&keeper.kept.as_ref().unwrap().0);
        let hangs = kept.disk.lock().unwrap();
        let mut guard = guard();
        guard.fault(0.0, cause(1));
        let began = std::time::Instant::now();
        keeper.look_at(&guard);
        assert!(began.elapsed() < Duration::from_secs(1), "{:?}", began.elapsed());
        assert!(!keeper.noted(Duration::from_millis(20)) && !keeper.stands(Duration::from_millis(20)));
        drop(hangs);
        assert!(keeper.stands(LONG));
    }

    #[test]
    fn a_folder_that_cannot_be_used_is_told_before_anything_is_energised() {
        let folder = tempfile::tempdir().unwrap();
        let file = folder.path().join("file");
        std::fs::write(&file, "x").unwrap();
        for path in [file.clone(), file.join("below")] {
            assert!(Keeper::open(Some(path), "b").is_err());
        }
    }
}
