//! Publishing: sending what waits in the outbox to another catalogue, in order, nothing lost and nothing twice.
//!
//! The receiver remembers, in the same transaction as the entries, how far each source has got. So a source that was cut
//! off between the receiver's commit and its own learns from the receiver that the entries arrived. Three things can be
//! out of step: the source has not yet noted what arrived (then the entry that the receiver names still waits here, with
//! the same mark); the source's file was put back to an earlier state and has given numbers twice (then it takes a new
//! name and sends what waits under that); the receiver was put back to an earlier state (then it knows less than was
//! noted here, which is said as `behind`: [`Catalogue::publish_all`] heals it).

use serde::{Deserialize, Serialize};

use crate::catalogue::{Catalogue, For, Limits};
use crate::entry::Entry;
use crate::error::{Error, Result};
use crate::fit::fitted;
use crate::outbox::random;
use crate::place::Place;
use crate::put::put_in;
use crate::wire::{self, Value};

/// Entries of one transaction.
const GO: u64 = 100;

/// What became of what waited for a place.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct Published {
    /// Entries that arrived.
    pub sent: u64,
    /// Entries that still wait: queued meanwhile.
    pub left: u64,
    /// Whether the place knew less than it had been sent before. Runs of that time are missing there until every run is
    /// queued anew.
    pub behind: bool,
}

/// An entry that waits.
struct Queued {
    seq: u64,
    mark: String,
    entry: Entry,
}

/// What is noted here of a place.
struct Noted {
    source: String,
    seq: u64,
    behind: bool,
}

/// How the receiver took a go.
enum Taken {
    /// It has all up to this number; whether it had known less than it should.
    UpTo { seq: u64, behind: bool },
    /// It knows of entries under this source's name that this source never sent.
    Strange,
}

impl Catalogue {
    /// Sends all that waits for a place, in order. Does not keep those waiting who write to this catalogue meanwhile.
    ///
    /// # Errors
    /// Those of opening the place and of both databases. What did not arrive still waits.
    pub async fn publish(&self, place: &Place) -> Result<Published> {
        self.publish_within(place, self.limits()).await
    }

    /// The same, waiting for the place no longer than said.
    ///
    /// # Errors
    /// As [`Catalogue::publish`].
    pub async fn publish_within(&self, place: &Place, limits: Limits) -> Result<Published> {
        let receiver = Self::open_within(place, limits).await?;
        let done = self.send(&receiver).await;
        receiver.close().await;
        done
    }

    async fn send(&self, receiver: &Self) -> Result<Published> {
        let mut done = Published::default();
        loop {
            let (noted, queued) = self.next(receiver.place()).await?;
            done.behind |= noted.behind;
            let Some(last) = queued.last().map(|queued| queued.seq) else { break };
            match receiver.take(self, &noted, queued).await? {
                Taken::Strange => {
                    tracing::warn!(
                        place = %self.place(), to = %receiver.place(),
                        "the catalogue was put back to an earlier state; it goes on under a new name"
                    );
                    self.rename().await?;
                }
                Taken::UpTo { seq, behind } => {
                    if behind {
                        tracing::warn!(
                            to = %receiver.place(), known = seq, sent = noted.seq,
                            "the place knows less than it was sent; queue every run for it anew"
                        );
                    }
                    done.behind |= behind;
                    done.sent += self.note(receiver.place(), last, behind).await?;
                }
            }
        }
        done.left = self.left(receiver.place()).await?;
        tracing::debug!(to = %receiver.place(), sent = done.sent, left = done.left, "published");
        Ok(done)
    }

    /// What is noted of a place, and the next entries for it.
    async fn next(&self, place: &Place) -> Result<(Noted, Vec<Queued>)> {
        let what = "looking into the outbox";
        let name = || Value::from(&place.to_string());
        let mut tx = self.begin(what, For::Reading).await?;
        let sql = "SELECT COALESCE((SELECT id FROM source WHERE one = 1), '') AS id, \
             COALESCE((SELECT seq FROM sent WHERE place = $1), 0) AS seq, \
             COALESCE((SELECT behind FROM sent WHERE place = $1), 0) AS behind";
        let noted = tx.rows(what, sql, vec![name()]).await?;
        let sql = "SELECT seq, mark, entry FROM outbox WHERE place = $1 ORDER BY seq LIMIT $2";
        let rows = tx.rows(what, sql, vec![name(), GO.into()]).await?;
        tx.commit(what).await?;
        let failed = |error: sqlx::Error| wire::failed(self.place(), what, &error);
        let noted = noted.first().map(|row| {
            let (source, seq) = (wire::text(row, "id")?, wire::count(row, "seq")?);
            Ok(Noted { source, seq, behind: wire::flag(row, "behind")? })
        });
        let noted = noted.unwrap_or(Err(sqlx::Error::RowNotFound)).map_err(failed)?;
        let mut queued = Vec::new();
        for row in &rows {
            let seq = wire::count(row, "seq").map_err(failed)?;
            let told = wire::text(row, "entry").map_err(failed)?;
            let entry = serde_json::from_str(&told).map_err(|error| Error::Queued {
                place: place.to_string(),
                seq,
                why: error.to_string(),
            })?;
            queued.push(Queued { seq, mark: wire::text(row, "mark").map_err(failed)?, entry });
        }
        Ok((noted, queued))
    }

    /// Takes a go of a source, all or none.
    async fn take(&self, source: &Self, noted: &Noted, queued: Vec<Queued>) -> Result<Taken> {
        let what = "publishing runs";
        let Some((last, mark)) = queued.last().map(|queued| (queued.seq, queued.mark.clone())) else {
            return Ok(Taken::UpTo { seq: noted.seq, behind: false });
        };
        let mut tx = self.begin(what, For::Writing).await?;
        // Written at once, so that no other program publishes from the same source meanwhile.
        let sql = "INSERT INTO published (source, seq, mark) VALUES ($1, 0, '') \
             ON CONFLICT (source) DO UPDATE SET source = excluded.source RETURNING seq, mark";
        let rows = tx.rows(what, sql, vec![(&noted.source).into()]).await?;
        let known = rows.first().map(|row| Ok((wire::count(row, "seq")?, wire::text(row, "mark")?)));
        let known = known.unwrap_or(Err(sqlx::Error::RowNotFound));
        let (known, known_mark) = known.map_err(|error| wire::failed(self.place(), what, &error))?;
        if known > noted.seq && !source.accounts_for(self.place(), known, &known_mark).await? {
            return Ok(Taken::Strange);
        }
        let behind = known < noted.seq;
        if last > known {
            let fresh = queued.iter().filter(|queued| queued.seq > known);
            let fresh = fresh.map(|queued| fitted(&queued.entry)).collect::<Result<Vec<_>>>()?;
            put_in(&mut tx, fresh).await?;
            let sql = "UPDATE published SET seq = $2, mark = $3 WHERE source = $1";
            tx.change(what, sql, vec![(&noted.source).into(), last.into(), (&mark).into()]).await?;
        }
        tx.commit(what).await?;
        Ok(Taken::UpTo { seq: known, behind })
    }

    /// Whether this catalogue has sent an entry of this number and mark, or is about to.
    async fn accounts_for(&self, place: &Place, seq: u64, mark: &str) -> Result<bool> {
        let what = "looking into the outbox";
        let mut tx = self.begin(what, For::Reading).await?;
        let sql = "SELECT (SELECT COUNT(*) FROM sent WHERE place = $1 AND seq >= $2) + \
             (SELECT COUNT(*) FROM outbox WHERE place = $1 AND seq = $2 AND mark = $3) AS found";
        let values = vec![(&place.to_string()).into(), seq.into(), mark.into()];
        let rows = tx.rows(what, sql, values).await?;
        tx.commit(what).await?;
        let found = rows.first().map_or(Ok(0), |row| wire::count(row, "found"));
        Ok(found.map_err(|error| wire::failed(self.place(), what, &error))? > 0)
    }

    /// Notes that all up to a number has arrived. Gives back how many entries that were.
    async fn note(&self, place: &Place, seq: u64, behind: bool) -> Result<u64> {
        let what = "noting what was published";
        let name = || Value::from(&place.to_string());
        let mut tx = self.begin(what, For::Writing).await?;
        let sql = "DELETE FROM outbox WHERE place = $1 AND seq <= $2";
        let sent = tx.change(what, sql, vec![name(), seq.into()]).await?;
        let sql = "INSERT INTO sent (place, seq, behind) VALUES ($1, $2, $3) ON CONFLICT (place) DO UPDATE SET \
             seq = CASE WHEN sent.seq > excluded.seq THEN sent.seq ELSE excluded.seq END, \
             behind = CASE WHEN sent.behind > excluded.behind THEN sent.behind ELSE excluded.behind END";
        tx.change(what, sql, vec![name(), seq.into(), behind.into()]).await?;
        tx.commit(what).await?;
        Ok(sent)
    }

    /// Takes a new name, under which nothing was sent yet.
    async fn rename(&self) -> Result<()> {
        let what = "taking a new name";
        let id = random(self.place())?;
        let mut tx = self.begin(what, For::Writing).await?;
        tx.change(what, "UPDATE source SET id = $1 WHERE one = 1", vec![(&id).into()]).await?;
        tx.change(what, "UPDATE sent SET seq = 0", Vec::new()).await?;
        tx.commit(what).await
    }

    async fn left(&self, place: &Place) -> Result<u64> {
        let what = "looking into the outbox";
        let mut tx = self.begin(what, For::Reading).await?;
        let sql = "SELECT COUNT(*) AS entries FROM outbox WHERE place = $1";
        let rows = tx.rows(what, sql, vec![(&place.to_string()).into()]).await?;
        tx.commit(what).await?;
        let left = rows.first().map_or(Ok(0), |row| wire::count(row, "entries"));
        left.map_err(|error| wire::failed(self.place(), what, &error))
    }
}
