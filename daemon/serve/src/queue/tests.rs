#![allow(clippy::unwrap_used, reason = "a test fails by panicking")]

use chrono::TimeDelta;

use super::*;

fn now() -> DateTime<Utc> {
    DateTime::from_timestamp(1_800_000_000, 0).unwrap()
}

fn new(bench: &str, hold: Option<Hold>) -> NewJob {
    NewJob {
        bench: bench.into(),
        script: "rated_power.rhai".into(),
        amplifier: "Lindqvold Sample Works Steady 100".into(),
        invented: true,
        hold,
        without_selfcheck: false,
        set: BTreeMap::new(),
    }
}

/// A queue with jobs 1 to `count` on one bench.
fn queue(count: usize) -> Queue {
    let mut queue = Queue::default();
    for _ in 0..count {
        queue.submit(new("a", None), now()).unwrap();
    }
    queue
}

fn order(queue: &Queue) -> Vec<u64> {
    queue.all().filter(|job| job.state.is_ahead()).map(|job| job.job).collect()
}

#[test]
fn one_run_a_bench_in_the_order_of_the_queue() {
    let mut queue = queue(2);
    queue.submit(new("b", None), now()).unwrap();
    assert_eq!(queue.begin("a", now()).unwrap().job, 1);
    assert!(queue.begin("a", now()).is_none(), "one run a bench");
    assert_eq!(queue.begin("b", now()).unwrap().job, 3, "another bench does not wait");
    queue.end(1, JobOutcome::Meets, None, now());
    assert_eq!(queue.begin("a", now()).unwrap().job, 2);
    assert_eq!(queue.get(1).unwrap().outcome, Some(JobOutcome::Meets));
}

#[test]
fn a_held_job_lets_others_pass_and_comes_in_its_time() {
    let mut queue = Queue::default();
    let then = now() + TimeDelta::hours(8);
    queue.submit(new("a", Some(Hold::UntilUtc(then))), now()).unwrap();
    queue.submit(new("a", Some(Hold::ByPerson(true))), now()).unwrap();
    queue.submit(new("a", None), now()).unwrap();
    assert_eq!(queue.get(1).unwrap().state, JobState::Held);
    assert_eq!(queue.begin("a", now()).unwrap().job, 3);
    queue.end(3, JobOutcome::Meets, None, now());
    assert!(queue.begin("a", now()).is_none());
    assert!(queue.number(then), "its time has come: it waits for its turn alone");
    assert_eq!(queue.get(1).unwrap().state, JobState::Waiting);
    assert_eq!(queue.begin("a", then).unwrap().job, 1);
    queue.end(1, JobOutcome::Meets, None, then);
    assert!(queue.begin("a", then).is_none(), "a person has not let it go");
    queue.hold(2, None, then).unwrap();
    assert_eq!(queue.begin("a", then).unwrap().job, 2);
}

#[test]
fn jobs_are_put_before_others_of_their_bench() {
    let mut queue = queue(4);
    queue.submit(new("b", None), now()).unwrap();
    queue.put(4, Some(1), now()).unwrap();
    assert_eq!(order(&queue), [4, 1, 2, 3, 5]);
    queue.put(4, None, now()).unwrap();
    assert_eq!(order(&queue), [1, 2, 3, 5, 4]);
    assert_eq!(queue.get(4).unwrap().position, Some(4), "places are counted bench by bench");
    assert_eq!(queue.put(1, Some(5), now()), Err(QueueError::OtherBench(5)));
    assert_eq!(queue.put(9, None, now()), Err(QueueError::NoJob(9)));
    assert_eq!(queue.put(1, Some(1), now()), Ok(()), "before itself: where it is");
}

#[test]
fn what_has_begun_is_not_cancelled_and_what_is_over_not_again() {
    let mut queue = queue(2);
    queue.begin("a", now()).unwrap();
    assert_eq!(queue.cancel(1, now()), Err(QueueError::Begun(1)));
    queue.cancel(2, now()).unwrap();
    assert_eq!(queue.cancel(2, now()), Err(QueueError::Over(2)));
    assert_eq!(queue.get(2).unwrap().state, JobState::Cancelled);
}

/// Nothing is energised by itself after a stop or a restart.
#[test]
fn after_a_stop_or_a_restart_everything_waits_for_a_person() {
    let mut queue = queue(3);
    queue.begin("a", now()).unwrap();
    queue.end(1, JobOutcome::Stopped, None, now());
    queue.hold_all("a", now());
    assert!(queue.begin("a", now()).is_none());
    queue.hold(2, None, now()).unwrap();
    queue.begin("a", now()).unwrap();
    queue.note(2).unwrap().run = Some("20270115T080000Z-steady-100".into());
    queue.restart(now());
    assert!(queue.begin("a", now()).is_none());
    let cut = queue.get(2).unwrap();
    assert_eq!((cut.state, cut.outcome), (JobState::Ended, Some(JobOutcome::Failed)));
    assert!(cut.error.as_ref().unwrap().contains("wattproof resume 20270115T080000Z-steady-100"));
}

#[test]
fn the_queue_is_bounded_and_so_is_what_it_remembers() {
    let mut queue = queue(AHEAD_MAX);
    assert_eq!(queue.submit(new("a", None), now()), Err(QueueError::Full));
    for job in 1..=AHEAD_MAX as u64 {
        queue.cancel(job, now()).unwrap();
    }
    assert_eq!(queue.all().count(), ENDED_KEPT);
    assert_eq!(queue.all().next().unwrap().job, AHEAD_MAX as u64, "the newest first");
    assert_eq!(queue.submit(new("a", None), now()), Ok(AHEAD_MAX as u64 + 1), "no number twice");
}

#[test]
fn a_queue_comes_back_from_disk_and_a_damaged_one_is_kept() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("queue.json");
    let (empty, store) = Store::open(folder.path()).unwrap();
    assert_eq!(empty, Queue::default());
    let mut queue = queue(3);
    store.keep(queue.clone());
    queue.hold(2, Some(Hold::HeatsinkCMax(40.0)), now()).unwrap();
    store.keep(queue.clone());
    store.settle(std::time::Duration::from_secs(10));
    assert_eq!(Store::open(folder.path()).unwrap().0, queue);
    std::fs::write(&path, b"{\"last\":").unwrap();
    let (empty, _store) = Store::open(folder.path()).unwrap();
    assert_eq!(empty, Queue::default());
    assert_eq!(std::fs::read(folder.path().join("queue.json.damaged")).unwrap(), b"{\"last\":");
}
