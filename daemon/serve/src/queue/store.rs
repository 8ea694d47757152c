//! The queue on disk: written aside, synced and moved into place by a thread of its own, so that nobody who orders a
//! stop ever waits for a disk.

use std::io::{ErrorKind, Write};
use std::os::unix::fs::OpenOptionsExt;
use std::path::{Path, PathBuf};
use std::sync::mpsc::{Sender, channel};

use super::Queue;

/// Its name in the state folder.
const QUEUE_FILE: &str = "queue.json";

/// Writes queues in the order in which they come.
pub struct Store {
    /// None once it was told to come to its end.
    queues: Option<Sender<Queue>>,
    writer: Option<std::thread::JoinHandle<()>>,
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
        let (queues, written) = channel::<Queue>();
        let writer = std::thread::Builder::new().name("queue writer".into()).spawn(move || {
            while let Ok(mut queue) = written.recv() {
                // Only the newest counts.
                while let Ok(newer) = written.try_recv() {
                    queue = newer;
                }
                if let Err(error) = write(&path, &queue) {
                    tracing::error!(path = %path.display(), %error, "the queue was not kept; free disk space: a restart would not know the newest jobs");
                }
            }
        })?;
        Ok((queue, Store { queues: Some(queues), writer: Some(writer) }))
    }

    /// Keeps a queue; does not wait for the disk.
    pub fn keep(&self, queue: Queue) {
        if let Some(queues) = &self.queues
            && queues.send(queue).is_err()
        {
            tracing::error!("the queue's writer is gone: a restart would not know the newest jobs");
        }
    }
}

impl Drop for Store {
    /// What was handed over is on the disk before this ends.
    fn drop(&mut self) {
        drop(self.queues.take());
        if let Some(writer) = self.writer.take()
            && writer.join().is_err()
        {
            tracing::error!("the queue's writer failed");
        }
    }
}

fn write(path: &PathBuf, queue: &Queue) -> std::io::Result<()> {
    let aside = path.with_added_extension("new");
    let mut file =
        std::fs::OpenOptions::new().write(true).create(true).truncate(true).mode(0o600).open(&aside)?;
    file.write_all(&serde_json::to_vec_pretty(queue)?)?;
    file.sync_all()?;
    std::fs::rename(&aside, path)?;
    // The name as well: a power cut must not bring the old one back.
    path.parent().map_or(Ok(()), |folder| std::fs::File::open(folder)?.sync_all())
}
