//! The queue on disk: written aside, synced and moved into place by a thread of its own, so that nobody who orders a
//! stop ever waits for a disk.

use std::io::{ErrorKind, Write};
use std::os::unix::fs::OpenOptionsExt;
use std::path::Path;
use std::sync::mpsc::{Receiver, RecvTimeoutError, Sender, channel};
use std::time::Duration;

use super::Queue;

/// Its name in the state folder.
const QUEUE_FILE: &str = "queue.json";

/// Writes queues in the order in which they come.
pub struct Store {
    queues: Sender<Order>,
}

/// What the writer is to do.
enum Order {
    Keep(Queue),
    /// Say when everything handed over before is on the disk.
    Say(Sender<()>),
}

impl Store {
    /// What the folder holds, and a store that writes there. A file that can't be read as a queue is kept beside.
    ///
    /// # Errors
    /// The folder can't be read or written, or the thread not be started.
    pub fn open(folder: &Path) -> std::io::Result<(Queue, Self)> {
        std::fs::create_dir_all(folder)?;
        let path = folder.join(QUEUE_FILE);
        let queue = match std::fs::read(&path) {
            Err(error) if error.kind() == ErrorKind::NotFound => Queue::default(),
            Err(error) => return Err(error),
            Ok(bytes) => serde_json::from_slice(&bytes).or_else(|error| {
                let kept = path.with_added_extension("damaged");
                tracing::error!(path = %path.display(), %error, "the queue can't be read; it is kept as {}", kept.display());
                std::fs::rename(&path, &kept).map(|()| Queue::default())
            })?,
        };
        let (queues, orders) = channel();
        std::thread::Builder::new()
            .name("queue writer".into())
            .spawn(move || keep_writing(&path, &orders))?;
        Ok((queue, Store { queues }))
    }

    /// Keeps a queue; does not wait for the disk.
    pub fn keep(&self, queue: Queue) {
        if self.queues.send(Order::Keep(queue)).is_err() {
            tracing::error!("the queue's writer is gone: a restart would not know the newest jobs");
        }
    }

    /// Waits until what was handed over is on the disk, but no longer than that.
    pub fn settle(&self, wait: Duration) {
        let (say, said) = channel();
        let settled = self.queues.send(Order::Say(say)).map_err(|_| RecvTimeoutError::Disconnected);
        match settled.and_then(|()| said.recv_timeout(wait)) {
            Ok(()) => {}
            Err(RecvTimeoutError::Timeout) => {
                tracing::error!(
                    "the disk did not take the queue in time: a restart may not know how the last jobs ended"
                );
            }
            Err(RecvTimeoutError::Disconnected) => {
                tracing::error!("the queue's writer failed; please report it with the log")
            }
        }
    }
}

fn keep_writing(path: &Path, orders: &Receiver<Order>) {
    while let Ok(order) = orders.recv() {
        let (mut newest, mut asked) = (None, Vec::new());
        // Only the newest counts.
        for order in std::iter::once(order).chain(orders.try_iter()) {
            match order {
                Order::Keep(queue) => newest = Some(queue),
                Order::Say(to) => asked.push(to),
            }
        }
        if let Some(Err(error)) = newest.map(|queue| write(path, &queue)) {
            tracing::error!(path = %path.display(), %error, "the queue was not kept; free disk space: a restart would not know the newest jobs");
        }
        for to in asked {
            // Whoever asked may have waited long enough.
            let _unheard = to.send(());
        }
    }
}

fn write(path: &Path, queue: &Queue) -> std::io::Result<()> {
    let aside = path.with_added_extension("new");
    let mut file =
        std::fs::OpenOptions::new().write(true).create(true).truncate(true).mode(0o600).open(&aside)?;
    file.write_all(&serde_json::to_vec_pretty(queue)?)?;
    file.sync_all()?;
    std::fs::rename(&aside, path)?;
    // The name as well: a power cut must not bring the old one back.
    path.parent().map_or(Ok(()), |folder| std::fs::File::open(folder)?.sync_all())
}
