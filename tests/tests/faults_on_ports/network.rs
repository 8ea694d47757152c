//! Faults 49 to 51: what a page in somebody's browser, or anybody on the network, could do to a daemon that listens. None
//! of its processes does: there is nothing to rebind a name to, to post a form to, or to keep busy with headers. Whoever
//! adds a listener meets this test, and has the three to answer.
//!
//! What a process has open: proc(5) (`/proc/PID/fd`, `/proc/PID/net`), and the kernel's `net/tcp_states.h` and
//! `uapi/linux/net.h` for the numbers in it.

use std::collections::BTreeMap;
use std::net::{TcpListener, UdpSocket};
use std::os::unix::net::{UnixDatagram, UnixListener};
use std::process::{Command, Stdio};
use std::time::{Duration, Instant};

use crate::bench::{Served, said, wattproof};
use crate::processes::{signal, wait_for_steps};
use crate::{PATIENCE, SCRIPT};

/// `TCP_ESTABLISHED`: a connection that somebody has made, which nobody else can.
const CONNECTED: &str = "01";
/// `__SO_ACCEPTCON`: it listens.
const LISTENS: u32 = 0x10000;

/// Sockets of a process by their inode.
fn inodes(process: u32) -> Vec<String> {
    let open = std::fs::read_dir(format!("/proc/{process}/fd")).unwrap();
    let leads_to = open.filter_map(|entry| std::fs::read_link(entry.ok()?.path()).ok());
    let names: Vec<String> = leads_to.map(|to| to.to_string_lossy().into_owned()).collect();
    names
        .iter()
        .filter_map(|name| Some(name.strip_prefix("socket:[")?.strip_suffix(']')?.to_string()))
        .collect()
}

/// What every socket of the process's network is, by its inode; none when nobody else can reach it.
fn sockets(process: u32) -> BTreeMap<String, Option<String>> {
    let table =
        |name: &str| std::fs::read_to_string(format!("/proc/{process}/net/{name}")).unwrap_or_default();
    let mut all = BTreeMap::new();
    for kind in ["tcp", "tcp6", "udp", "udp6", "udplite", "udplite6", "raw", "raw6"] {
        for line in table(kind).lines().skip(1) {
            let words: Vec<&str> = line.split_whitespace().collect();
            let private = kind.starts_with("tcp") && words[3] == CONNECTED;
            all.insert(words[9].to_string(), (!private).then(|| format!("{kind} at {}", words[1])));
        }
    }
    for line in table("unix").lines().skip(1) {
        let words: Vec<&str> = line.split_whitespace().collect();
        let listens = u32::from_str_radix(words[3], 16).unwrap() & LISTENS != 0;
        // One of a pair has no name by which anybody could reach it.
        let name = words.get(7);
        all.insert(words[6].to_string(), (listens || name.is_some()).then(|| format!("unix {name:?}")));
    }
    all
}

/// Sockets of a process that somebody else may reach, or of which that is not known.
fn reachable(process: u32) -> Vec<String> {
    let known = sockets(process);
    let told = |inode: String| match known.get(&inode) {
        Some(reached) => reached.clone(),
        None => Some(format!("socket {inode} of an unknown kind")),
    };
    inodes(process).into_iter().filter_map(told).collect()
}

/// A process and all that it and its children have started.
fn family(process: u32) -> Vec<u32> {
    let tasks = std::fs::read_dir(format!("/proc/{process}/task")).into_iter().flatten().flatten();
    let children: Vec<u32> = tasks
        .filter_map(|task| std::fs::read_to_string(task.path().join("children")).ok())
        .flat_map(|line| line.split_whitespace().map(|n| n.parse().unwrap()).collect::<Vec<u32>>())
        .collect();
    std::iter::once(process).chain(children.into_iter().flat_map(family)).collect()
}

fn told(process: u32) -> String {
    let line = std::fs::read(format!("/proc/{process}/cmdline")).unwrap_or_default();
    String::from_utf8_lossy(&line).replace('\0', " ")
}

/// Looks at a daemon with its guardian and its script's process until it has both, and at whatever else it has started.
fn assert_nothing_listens(daemon: u32, and_also: &str) {
    let until = Instant::now() + PATIENCE;
    let all = loop {
        let all = family(daemon);
        let names: Vec<String> = all.iter().map(|process| told(*process)).collect();
        let has = |word: &str| names.iter().any(|name| name.contains(word));
        if ["guardian", "perform-script", and_also].iter().all(|word| has(word)) {
            break all;
        }
        assert!(Instant::now() < until, "{names:?}");
        std::thread::sleep(Duration::from_millis(5));
    };
    for process in all {
        let found = reachable(process);
        assert!(found.is_empty(), "{}can be reached by others: {found:?}", told(process));
    }
}

#[test]
fn fault_49_and_50_and_51_no_process_of_a_run_can_be_reached_by_others() {
    let served = Served::start("honest");
    let script = served.script(&SCRIPT.replace("0..8", "0..100"));
    let daemon = served.run(&script).stdin(Stdio::null()).spawn().unwrap();
    wait_for_steps(&served, 1);
    assert_nothing_listens(daemon.id(), "run");
    // The bench itself listens at its pseudo-terminals alone.
    let found = reachable(served.process());
    assert!(found.is_empty(), "the virtual bench: {found:?}");
    signal(daemon.id(), "INT");
    let output = daemon.wait_with_output().unwrap();
    assert_eq!(output.status.code(), Some(130), "{}", said(&output));
}

#[test]
fn fault_49_and_50_and_51_no_process_of_the_demo_can_be_reached_by_others() {
    let results = tempfile::tempdir().unwrap();
    let daemon = Command::new(wattproof())
        .args(["demo", "--out"])
        .arg(results.path())
        .stdin(Stdio::null())
        .stdout(Stdio::piped())
        .stderr(Stdio::piped())
        .spawn()
        .unwrap();
    assert_nothing_listens(daemon.id(), "virtual-bench");
    signal(daemon.id(), "INT");
    let output = daemon.wait_with_output().unwrap();
    assert_eq!(output.status.code(), Some(130), "{}", said(&output));
}

/// The test itself: what listens is found, a pair is not.
#[test]
fn what_listens_is_found() {
    let folder = tempfile::tempdir().unwrap();
    let before = reachable(std::process::id()).len();
    let _pair = std::os::unix::net::UnixStream::pair().unwrap();
    let tcp = TcpListener::bind("127.0.0.1:0").unwrap();
    let udp = UdpSocket::bind("127.0.0.1:0").unwrap();
    let stream = UnixListener::bind(folder.path().join("stream")).unwrap();
    let datagram = UnixDatagram::bind(folder.path().join("datagram")).unwrap();
    let found = reachable(std::process::id());
    for kind in ["tcp at ", "udp at ", "/stream", "/datagram"] {
        assert!(found.iter().any(|one| one.contains(kind)), "no {kind:?} in {found:?}");
    }
    assert!(found.len() >= before + 4, "{found:?}");
    drop((tcp, udp, stream, datagram));
}
