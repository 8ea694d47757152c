/// The speed of one direction of a line: bytes pass one after another, each in the time of its ten bits.
///
/// A quiet line saves up nothing: the first byte after silence takes its time too.
#[derive(Debug, Clone)]
pub(crate) struct Pacer {
    byte_s: f64,
    /// Until when the line is taken by the bytes passed so far, s; `None` while it is quiet.
    busy_s: Option<f64>,
}

impl Pacer {
    /// A line of `baud`, which is not 0.
    pub fn new(baud: u32) -> Self {
        Self { byte_s: 10.0 / f64::from(baud), busy_s: None }
    }

    /// Whether bytes are passing.
    pub fn busy(&self) -> bool {
        self.busy_s.is_some()
    }

    /// How many bytes have passed by `now_s` and were not taken yet; starts the line if it was quiet.
    pub fn passed(&mut self, now_s: f64) -> usize {
        let since_s = *self.busy_s.get_or_insert(now_s);
        ((now_s - since_s) / self.byte_s).floor().max(0.0) as usize
    }

    /// Takes `count` of the bytes that have passed.
    pub fn take(&mut self, count: usize) {
        if let Some(busy_s) = self.busy_s.as_mut() {
            *busy_s += count as f64 * self.byte_s;
        }
    }

    /// No more bytes are waiting.
    pub fn rest(&mut self) {
        self.busy_s = None;
    }

    /// Time until the next `count` bytes have passed, s.
    pub fn wait_s(&self, now_s: f64, count: usize) -> f64 {
        let since_s = self.busy_s.unwrap_or(now_s);
        (since_s + count as f64 * self.byte_s - now_s).max(0.0)
    }
}

#[cfg(test)]
mod tests {
    use super::Pacer;

    #[test]
    fn ten_bits_a_byte_and_no_credit_for_silence() {
        // 9600 baud, 8N1: 960 bytes a second, by definition of the frame.
        let mut pacer = Pacer::new(9_600);
        assert_eq!(pacer.passed(5.0), 0);
        assert_eq!(pacer.passed(5.0 + 0.0010), 0);
        assert_eq!(pacer.passed(5.0 + 0.0105), 10);
        pacer.take(10);
        assert_eq!(pacer.passed(5.0 + 0.0105), 0);
        assert_eq!(pacer.passed(6.001), 950);
        pacer.rest();
        assert_eq!(pacer.passed(9.0), 0);
        assert!((pacer.wait_s(9.0, 96) - 0.1).abs() < 1e-12);
    }
}
