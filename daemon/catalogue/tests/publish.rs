//! Publishing from a bench's catalogue to one that several benches share: what arrives, in which order, and what becomes
//! of it when either side is put back to an earlier state. What is expected is project definition (README of this crate).

#![allow(
    clippy::unwrap_used,
    clippy::expect_used,
    clippy::panic,
    reason = "a helper that fails must stop its test"
)]

mod support;

use std::fs;
use std::path::Path;

use support::cluster::Cluster;
use support::{folder, invented, on_tokio, python};
use wattproof_catalogue::{Catalogue, Entry, Place, Question};

/// The same for both kinds of receiver.
async fn cases(mut receiver: impl FnMut(&str) -> Place) {
    sends_in_order_and_only_once(receiver("order")).await;
    takes_the_same_run_of_two_benches_once(receiver("twice")).await;
    goes_on_after_a_cut_between_the_commits(receiver("cut")).await;
    sends_everything_anew_to_a_receiver_that_lost_it(&receiver("before"), &receiver("after")).await;
    loses_nothing_of_a_source_that_was_put_back(receiver("rewound")).await;
    sends_from_two_programs_at_once(receiver("both")).await;
    sends_many(receiver("many")).await;
}

#[test]
fn to_sqlite() {
    let folder = folder();
    on_tokio(cases(|name| Place::file(&folder.path().join(name))));
}

#[test]
fn to_postgresql() {
    let Some(cluster) = Cluster::start() else { return };
    on_tokio(cases(|name| cluster.place(name)));
}

async fn bench(folder: &Path) -> Catalogue {
    Catalogue::open(&Place::file(&folder.join("bench.db"))).await.unwrap()
}

/// All that a catalogue knows.
async fn all(catalogue: &Catalogue) -> Vec<Entry> {
    let keys: Vec<String> = catalogue.all_state().await.unwrap().into_iter().map(|state| state.key).collect();
    catalogue.entries(&keys).await.unwrap()
}

async fn all_at(place: &Place) -> Vec<Entry> {
    let catalogue = Catalogue::open(place).await.unwrap();
    let all = all(&catalogue).await;
    catalogue.close().await;
    all
}

async fn sends_in_order_and_only_once(place: Place) {
    let folder = folder();
    let local = bench(folder.path()).await;
    let none = local.publish(&place).await.unwrap();
    assert_eq!((none.sent, none.left, none.behind), (0, 0, false));
    let first: Vec<Entry> = (1..=5).map(invented::run).collect();
    assert_eq!(local.put_and_publish(&first, &place).await.unwrap().new, 5);
    // A newer state of one of them comes later in the queue.
    let newer = Entry { lines: 1000, steps: 7, ..first[2].clone() };
    local.put_and_publish(std::slice::from_ref(&newer), &place).await.unwrap();
    // Put alone, not to be published.
    local.put(&[invented::run(9)]).await.unwrap();
    let waiting = local.waiting().await.unwrap();
    assert_eq!((waiting.len(), waiting[0].entries, waiting[0].behind), (1, 6, false));
    assert_eq!(waiting[0].place, place.to_string());
    let done = local.publish(&place).await.unwrap();
    assert_eq!((done.sent, done.left, done.behind), (6, 0, false));
    let mut expected = first;
    expected[2] = newer;
    assert_eq!(all_at(&place).await, expected);
    assert_eq!(local.publish(&place).await.unwrap().sent, 0);
    assert_eq!(local.waiting().await.unwrap()[0].entries, 0);
    // Queued anew, nothing changes there.
    local.put_and_publish(&expected, &place).await.unwrap();
    assert_eq!(local.publish(&place).await.unwrap().sent, 5);
    assert_eq!(all_at(&place).await, expected);
}

async fn takes_the_same_run_of_two_benches_once(place: Place) {
    let (one, other) = (folder(), folder());
    let (one, other) = (bench(one.path()).await, bench(other.path()).await);
    let run = invented::run(1);
    let older = Entry { lines: 3, ..run.clone() };
    one.put_and_publish(&[run.clone(), invented::run(2)], &place).await.unwrap();
    other.put_and_publish(&[older, invented::run(3)], &place).await.unwrap();
    one.publish(&place).await.unwrap();
    assert_eq!(other.publish(&place).await.unwrap().sent, 2);
    assert_eq!(all_at(&place).await, [run, invented::run(2), invented::run(3)]);
}

async fn goes_on_after_a_cut_between_the_commits(place: Place) {
    let folder = folder();
    let local = bench(folder.path()).await;
    let run = invented::run(1);
    local.put_and_publish(&[run.clone(), invented::run(2)], &place).await.unwrap();
    local.close().await;
    // The receiver commits, the bench's own note of it is lost: its file is as it was before.
    let (file, kept) = (folder.path().join("bench.db"), folder.path().join("kept.db"));
    fs::copy(&file, &kept).unwrap();
    let local = bench(folder.path()).await;
    local.publish(&place).await.unwrap();
    local.close().await;
    fs::rename(&kept, &file).unwrap();
    // Meanwhile another bench has told something else of the same age of that run, which must not be undone.
    let elsewhere = support::folder();
    let other = bench(elsewhere.path()).await;
    let moved = Entry { folder: "/mnt/moved".to_owned(), ..run };
    other.put_and_publish(std::slice::from_ref(&moved), &place).await.unwrap();
    other.publish(&place).await.unwrap();
    let local = bench(folder.path()).await;
    local.put_and_publish(&[invented::run(3)], &place).await.unwrap();
    let done = local.publish(&place).await.unwrap();
    assert_eq!((done.sent, done.left, done.behind), (3, 0, false), "two of them had arrived before");
    assert_eq!(all_at(&place).await, [moved, invented::run(2), invented::run(3)]);
}

async fn sends_everything_anew_to_a_receiver_that_lost_it(before: &Place, after: &Place) {
    let folder = folder();
    let local = bench(folder.path()).await;
    let runs: Vec<Entry> = (1..=4).map(invented::run).collect();
    local.put_and_publish(&runs[..3], before).await.unwrap();
    local.publish(before).await.unwrap();
    // The receiver comes back empty: the bench is made to send to another one under the same name.
    local.close().await;
    rename_place(folder.path(), before, after);
    let local = bench(folder.path()).await;
    local.put_and_publish(&runs[3..], after).await.unwrap();
    let done = local.publish(after).await.unwrap();
    assert_eq!(
        (done.sent, done.behind),
        (1, true),
        "what is new arrives, and that the rest is missing is said"
    );
    assert_eq!(all_at(after).await, runs[3..]);
    assert!(local.publish(after).await.unwrap().behind, "until it is healed");
    assert!(local.waiting().await.unwrap().iter().any(|waiting| waiting.behind));
    assert_eq!(local.publish_all(after).await.unwrap(), 4);
    let done = local.publish(after).await.unwrap();
    assert_eq!((done.sent, done.left, done.behind), (4, 0, false));
    assert_eq!(all_at(after).await, runs);
}

/// What the bench noted of one place is noted of another.
fn rename_place(folder: &Path, from: &Place, to: &Place) {
    python::sqlite(
        &folder.join("bench.db"),
        &[&format!("UPDATE sent SET place = '{to}' WHERE place = '{from}'")],
    );
}

async fn loses_nothing_of_a_source_that_was_put_back(place: Place) {
    let folder = folder();
    let (file, kept) = (folder.path().join("bench.db"), folder.path().join("kept.db"));
    let local = bench(folder.path()).await;
    local.put_and_publish(&[invented::run(1)], &place).await.unwrap();
    local.publish(&place).await.unwrap();
    local.close().await;
    fs::copy(&file, &kept).unwrap();
    let local = bench(folder.path()).await;
    local.put_and_publish(&[invented::run(2), invented::run(3)], &place).await.unwrap();
    local.publish(&place).await.unwrap();
    local.close().await;
    // Put back, it gives the numbers of 2 and 3 again, to other runs.
    fs::rename(&kept, &file).unwrap();
    let local = bench(folder.path()).await;
    let fresh: Vec<Entry> = (4..=7).map(invented::run).collect();
    local.put_and_publish(&fresh, &place).await.unwrap();
    let done = local.publish(&place).await.unwrap();
    assert_eq!((done.sent, done.left, done.behind), (4, 0, false));
    assert_eq!(all_at(&place).await, (1..=7).map(invented::run).collect::<Vec<_>>());
    local.put_and_publish(&[invented::run(8)], &place).await.unwrap();
    assert_eq!(local.publish(&place).await.unwrap().sent, 1);
    assert_eq!(all_at(&place).await.len(), 8);
}

async fn sends_from_two_programs_at_once(place: Place) {
    let folder = folder();
    let (one, other) = (bench(folder.path()).await, bench(folder.path()).await);
    let runs: Vec<Entry> = (1..=250).map(invented::run).collect();
    one.put_and_publish(&runs, &place).await.unwrap();
    let (a, b) = tokio::join!(one.publish(&place), other.publish(&place));
    let (a, b) = (a.unwrap(), b.unwrap());
    assert_eq!((a.sent + b.sent, a.behind || b.behind), (250, false));
    assert_eq!(all_at(&place).await, runs);
}

async fn sends_many(place: Place) {
    let folder = folder();
    let local = bench(folder.path()).await;
    let runs: Vec<Entry> = (1..=501).map(invented::run).collect();
    local.put(&runs).await.unwrap();
    assert_eq!(local.publish_all(&place).await.unwrap(), 501);
    // Who writes meanwhile is not kept waiting, and what is written is not mixed up with what is sent.
    let another = [invented::run(900)];
    let (sent, put) = tokio::join!(local.publish(&place), local.put(&another));
    assert_eq!((sent.unwrap().sent, put.unwrap().new), (501, 1));
    let receiver = Catalogue::open(&place).await.unwrap();
    assert_eq!(receiver.count(&Question::default()).await.unwrap(), 501);
    assert_eq!(all(&receiver).await, runs);
}
