//! Arbitrary bytes into the controller end: no panic, bounded memory.
#![no_main]

use libfuzzer_sys::fuzz_target;
use wattproof_scpi::ResponseReader;

const LIMIT_BYTES: usize = 4096;

fuzz_target!(|data: &[u8]| {
    let mut reader = ResponseReader::new(LIMIT_BYTES);
    for chunk in data.chunks(5) {
        let mut input = chunk;
        while let Some(response) = reader.next(&mut input) {
            if let Ok(response) = response {
                assert!(response.elements().count() <= LIMIT_BYTES + 1);
            }
        }
        assert!(reader.held_bytes() <= 2 * LIMIT_BYTES);
    }
});
