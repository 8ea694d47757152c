//! Fault 55: another user of the same machine. Nobody else may write what a run leaves or take a latch away, speak to the
//! daemon's processes, or keep a bench from being used without being named. Tried as user 65534 (`nobody`), which only
//! root can become: setpriv(1), flock(1).

use std::fs::Permissions;
use std::os::unix::fs::{PermissionsExt, chown};
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Output, Stdio};
use std::time::{Duration, Instant};

use wattproof_bench::{Bench, BenchFile, Extras, LATCH_FILE, read_latch};
use wattproof_guard::TripCause;

use crate::bench::{Served, said};
use crate::processes::{signal, wait_for_steps};
use crate::{PATIENCE, SCRIPT};

const NOBODY: u32 = 65534;

/// Whether this can be tried at all.
fn is_root() -> bool {
    let root = rustix::process::geteuid().is_root();
    if !root {
        eprintln!("NOT TRIED: another user can be played by root alone; run this test as root");
    }
    root
}

/// A command as another user.
fn as_nobody(words: &[&str]) -> Command {
    let mut command = Command::new("setpriv");
    command.args(["--reuid", "65534", "--regid", "65534", "--clear-groups", "--"]).args(words);
    command.stdin(Stdio::null()).stdout(Stdio::piped()).stderr(Stdio::piped());
    command
}

fn set(path: &Path, mode: u32) {
    std::fs::set_permissions(path, Permissions::from_mode(mode)).unwrap();
}

/// What another user sees below a folder, and what of it he can write.
fn seen_and_writable(folder: &Path) -> (usize, String) {
    let find = |what: &[&str]| {
        let folder = folder.display().to_string();
        let words: Vec<&str> = ["find", folder.as_str()].iter().chain(what).copied().collect();
        let found = as_nobody(&words).output().unwrap();
        String::from_utf8_lossy(&found.stdout).into_owned()
    };
    (find(&[]).lines().count(), find(&["-writable"]))
}

fn trips(served: &Served, state: &Path) {
    let extras = Extras { state_folder: Some(state.into()), ..Extras::default() };
    let bench = Bench::open_with_extras(BenchFile::read(&served.bench()).unwrap(), extras).unwrap();
    bench.arm().unwrap();
    let cause = TripCause::Instrument { what: "an invented failure".into() };
    assert!(bench.make_safe(cause).is_safe());
}

#[test]
fn fault_55_another_user_can_write_nothing_that_a_run_leaves() {
    if !is_root() {
        return;
    }
    let served = Served::start("honest");
    set(served.folder.path(), 0o755);
    let script = served.script(&SCRIPT.replace("0..8", "0..100"));
    // As careless as a user may be: nothing is taken from what files are allowed.
    let mut run = Command::new("sh");
    let daemon = served.run(&script);
    run.args(["-c", "umask 0; exec \"$0\" \"$@\""]).arg(daemon.get_program()).args(daemon.get_args());
    let daemon = run
        .env("WATTPROOF_STATE", served.state())
        .stdout(Stdio::piped())
        .stderr(Stdio::piped())
        .spawn()
        .unwrap();
    wait_for_steps(&served, 2);
    let (seen, writable) = seen_and_writable(&served.folder.path().join("results"));
    assert!(seen > 8, "{seen} files were seen");
    assert_eq!(writable, "", "while it runs");
    // Its sockets and pipes have no names, and what the kernel shows of them is not for others.
    let open = PathBuf::from(format!("/proc/{}/fd", daemon.id()));
    let looked = as_nobody(&["ls", "-l", &open.display().to_string()]).output().unwrap();
    assert!(!looked.status.success() && looked.stdout.is_empty(), "{}", said(&looked));
    signal(daemon.id(), "INT");
    let output = daemon.wait_with_output().unwrap();
    assert_eq!(output.status.code(), Some(130), "{}", said(&output));
    let (seen, writable) = seen_and_writable(&served.folder.path().join("results"));
    assert!(seen > 8 && writable.is_empty(), "afterwards: {writable}");
    // What it keeps over a restart is for nobody else even to look at.
    let (seen, writable) = seen_and_writable(&served.state());
    assert!(seen >= 1 && writable.is_empty(), "{writable}");
}

#[test]
fn fault_55_another_user_can_neither_take_a_latch_away_nor_read_or_forge_it() {
    if !is_root() {
        return;
    }
    let served = Served::start("honest");
    set(served.folder.path(), 0o755);
    let state = served.folder.path().join("state of a bench");
    trips(&served, &state);
    let latch = state.join(LATCH_FILE);
    assert!(latch.exists());
    let named = latch.display().to_string();
    for words in [
        vec!["rm", "-f", &named],
        vec!["mv", &named, "/tmp"],
        vec!["cp", "/dev/null", &named],
        vec!["cat", &named],
        vec!["ln", "-sf", "/dev/null", &named],
    ] {
        let tried = as_nobody(&words).output().unwrap();
        assert!(!tried.status.success(), "{words:?}");
    }
    let stands = read_latch(&state).unwrap().unwrap();
    assert!(stands.record.cause.to_string().contains("an invented failure"));
}

/// As sshd refuses keys that others could write.
#[test]
fn fault_55_a_state_folder_that_is_another_users_is_refused() {
    if !is_root() {
        return;
    }
    let served = Served::start("honest");
    let script = served.script("print(\"nothing\");");
    let refused = |words: &str| {
        let output = served.run(&script).output().unwrap();
        let told = said(&output);
        assert_eq!(output.status.code(), Some(1), "{told}");
        assert!(told.contains(words) && told.contains("--state"), "no {words:?} in {told}");
    };
    let run = served.run(&script).output().unwrap();
    assert!(run.status.success(), "{}", said(&run));
    let bench = std::fs::read_dir(served.state()).unwrap().next().unwrap().unwrap().path();
    chown(&bench, Some(NOBODY), None).unwrap();
    refused("belongs to user 65534");
    chown(&bench, Some(0), None).unwrap();
    set(&bench, 0o777);
    refused("can be written by other users");
    set(&bench, 0o700);
    // The folder above it: who may write there can put another one in its place.
    chown(served.state(), Some(NOBODY), None).unwrap();
    refused("belongs to user 65534");
    chown(served.state(), Some(0), None).unwrap();
    // A link on the way to it, which its owner may lead elsewhere.
    let link = served.folder.path().join("link");
    std::os::unix::fs::symlink(served.state(), &link).unwrap();
    std::os::unix::fs::lchown(&link, Some(NOBODY), None).unwrap();
    let output = served.run(&script).env("WATTPROOF_STATE", &link).output().unwrap();
    assert!(said(&output).contains("link belongs to user 65534"), "{}", said(&output));
    // A latch that was put there.
    let planted = bench.join(LATCH_FILE);
    std::fs::write(&planted, "{}").unwrap();
    chown(&planted, Some(NOBODY), None).unwrap();
    refused("belongs to user 65534");
    std::fs::remove_file(&planted).unwrap();
    let run = served.run(&script).output().unwrap();
    assert!(run.status.success(), "{}", said(&run));
}

/// Where the lock of a port is: the file in which this process says that it holds it.
fn lock_of(port: &Path) -> PathBuf {
    let what_for = format!("looking for a lock, {}", port.display());
    let held = wattproof_guardian::hold([port].into_iter(), &what_for).unwrap();
    let folders = ["/run/lock".into(), std::env::temp_dir()];
    let all = folders.iter().flat_map(std::fs::read_dir).flatten().flatten().map(|entry| entry.path());
    let ours = all.filter(|path| {
        let named =
            path.file_name().is_some_and(|name| name.to_string_lossy().starts_with("wattproof-daemon-"));
        named && std::fs::read_to_string(path).is_ok_and(|text| text.contains(&what_for))
    });
    let found: Vec<PathBuf> = ours.collect();
    drop(held);
    assert_eq!(found.len(), 1, "{found:?}");
    found[0].clone()
}

fn refused_run(served: &Served) -> String {
    let began = Instant::now();
    let output: Output = served.run(&served.script("print(\"nothing\");")).output().unwrap();
    let told = said(&output);
    assert_eq!(output.status.code(), Some(1), "{told}");
    assert!(began.elapsed() < Duration::from_secs(10), "{:?}: {told}", began.elapsed());
    told
}

/// Ended when dropped.
struct Other(Child);

impl Drop for Other {
    fn drop(&mut self) {
        let _ended = self.0.kill();
        let _waited = self.0.wait();
    }
}

#[test]
fn fault_55_a_lock_that_another_user_holds_or_plants_names_him_and_harms_nothing() {
    if !is_root() {
        return;
    }
    let served = Served::start("honest");
    let lock = lock_of(&served.port("supply"));
    let place = lock.display().to_string();
    std::fs::remove_file(&lock).unwrap();
    // One that says it is a daemon of this bench.
    let line = format!("echo 'process 1 (bench \"ours\")' > {place}; exec flock {place} sleep 60");
    let other = Other(as_nobody(&["sh", "-c", &line]).spawn().unwrap());
    let until = Instant::now() + PATIENCE;
    let told = loop {
        // It may take a moment until it has the lock.
        let output = served.run(&served.script("print(\"nothing\");")).output().unwrap();
        if !output.status.success() {
            break said(&output);
        }
        assert!(Instant::now() < until);
    };
    assert!(told.contains("of user 65534") && told.contains(&place) && told.contains("root"), "{told}");
    signal_all_of(&other);
    drop(other);
    let _there = std::fs::remove_file(&lock);

    // What root would otherwise have emptied and written into.
    let victim = served.folder.path().join("victim");
    std::fs::write(&victim, "of root").unwrap();
    let (target, pipe) = (victim.display().to_string(), ["mkfifo", "-m", "666", &place]);
    for words in [["ln", "-s", &target, &place], pipe] {
        let planted = as_nobody(&words).output().unwrap();
        assert!(planted.status.success(), "{}", said(&planted));
        let told = refused_run(&served);
        assert!(told.contains("is no plain file") && told.contains(&place), "{told}");
        std::fs::remove_file(&lock).unwrap();
    }
    assert_eq!(std::fs::read_to_string(&victim).unwrap(), "of root");
    // One that can't even be looked into still is no reason to go without. Root can.
    let planted = as_nobody(&["sh", "-c", &format!("umask 777; : > {place}")]).output().unwrap();
    assert!(planted.status.success());
    let run = served.run(&served.script("print(\"nothing\");")).output().unwrap();
    assert!(run.status.success(), "{}", said(&run));
    std::fs::remove_file(&lock).unwrap();
}

/// flock(1) holds its lock in a child as well.
fn signal_all_of(other: &Other) {
    let id = other.0.id().to_string();
    let _ended = Command::new("pkill").args(["-P", &id]).status();
}
