//! A campaign: many inputs into one target, and what it did not survive.

use std::io;
use std::path::{Path, PathBuf};
use std::time::{Duration, Instant};

use crate::panics::{Panicked, caught};
use crate::watch::Watch;
use crate::{Mutator, Target};

/// Tries to make a crash shorter.
const SHORTENINGS_MAX: usize = 2000;

/// How much is tried.
#[derive(Debug, Clone, Copy)]
pub enum Budget {
    /// So many inputs.
    Count(u64),
    /// As many as fit into this time.
    Time(Duration),
}

/// One target, one seed, and where what it does not survive is kept.
#[derive(Debug)]
pub struct Campaign<'a> {
    /// What is tried.
    pub target: &'a Target,
    /// Of all chance.
    pub seed: u64,
    /// Kept inputs, from which others are made.
    pub corpus: Vec<Vec<u8>>,
    /// Folder for inputs that it did not survive.
    pub crashes: &'a Path,
    /// Longest time that one input may take.
    pub longest: Duration,
}

/// An input that the target did not survive.
#[derive(Debug)]
pub struct Crash {
    /// Where the input is kept.
    pub path: PathBuf,
    /// File, line and column of the panic.
    pub place: String,
    /// Its words.
    pub message: String,
}

/// What came of a campaign.
#[derive(Debug, Default)]
pub struct Tally {
    /// Inputs tried.
    pub executions: u64,
    /// The longest that one took.
    pub slowest: Duration,
    /// One for each place that panicked.
    pub crashes: Vec<Crash>,
}

impl Campaign<'_> {
    /// Tries every kept input, then as many new ones as the budget allows.
    ///
    /// # Errors
    /// When inputs can't be kept.
    pub fn run(&self, budget: Budget) -> io::Result<Tally> {
        let name = format!("{}-{}", self.target.name, self.seed);
        let mut watch = Watch::begin(self.crashes, &name, self.longest)?;
        let mut tally = Tally::default();
        for input in &self.corpus {
            self.try_one(input, &mut watch, &mut tally)?;
        }
        let began = Instant::now();
        let mut mutator = Mutator::new(self.seed, self.target.words);
        let mut made = 0;
        while match budget {
            Budget::Count(count) => made < count,
            Budget::Time(time) => began.elapsed() < time,
        } {
            self.try_one(&mutator.next(&self.corpus), &mut watch, &mut tally)?;
            made += 1;
        }
        Ok(tally)
    }

    fn panic_of(&self, input: &[u8], watch: &mut Watch) -> io::Result<(Option<Panicked>, Duration)> {
        watch.enter(input)?;
        let panicked = caught(|| (self.target.check)(input));
        Ok((panicked, watch.leave()))
    }

    fn try_one(&self, input: &[u8], watch: &mut Watch, tally: &mut Tally) -> io::Result<()> {
        let (panicked, took) = self.panic_of(input, watch)?;
        tally.executions += 1;
        tally.slowest = tally.slowest.max(took);
        if let Some(panicked) = panicked
            && tally.crashes.iter().all(|known| known.place != panicked.place)
        {
            let short = self.shortened(input, &panicked.place, watch)?;
            let number = tally.crashes.len();
            let path = self.crashes.join(format!("{}-{}-{number}", self.target.name, self.seed));
            std::fs::write(&path, short)?;
            tally.crashes.push(Crash { path, place: panicked.place, message: panicked.message });
        }
        Ok(())
    }

    /// The same crash from fewer bytes: leaves out halves, quarters and so on, down to single bytes.
    fn shortened(&self, input: &[u8], place: &str, watch: &mut Watch) -> io::Result<Vec<u8>> {
        let mut short = input.to_vec();
        let mut piece = short.len() / 2;
        let mut tries = 0;
        while piece > 0 && tries < SHORTENINGS_MAX {
            let mut at = 0;
            while at < short.len() && tries < SHORTENINGS_MAX {
                let mut shorter = short.clone();
                shorter.drain(at..(at + piece).min(short.len()));
                tries += 1;
                match self.panic_of(&shorter, watch)?.0 {
                    Some(panicked) if panicked.place == place => short = shorter,
                    _ => at += piece,
                }
            }
            piece /= 2;
        }
        Ok(short)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn fragile(bytes: &[u8]) {
        assert!(!bytes.windows(2).any(|pair| pair == b"!!"), "two marks");
    }

    const FRAGILE: Target = Target { name: "fragile", check: fragile, words: &["!!", "ok"], shipped: &[] };

    /// A driver that notices nothing would make every target pass.
    #[test]
    fn a_target_that_panics_is_noticed_once_and_its_input_kept_short() {
        let crashes = crate::crashes_folder().join("own-test");
        let corpus = vec![b"some words to begin with".to_vec()];
        let longest = Duration::from_secs(30);
        let campaign = Campaign { target: &FRAGILE, seed: 7, corpus, crashes: &crashes, longest };
        let tally = campaign.run(Budget::Count(2000)).unwrap();
        assert_eq!(tally.executions, 2001);
        let [crash] = tally.crashes.as_slice() else { panic!("{:?}", tally.crashes) };
        assert_eq!(std::fs::read(&crash.path).unwrap(), b"!!");
        assert!(crash.message.contains("two marks") && crash.place.contains("campaign.rs"), "{crash:?}");
        std::fs::remove_dir_all(&crashes).unwrap();
    }
}
