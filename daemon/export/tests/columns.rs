//! Files of columns, read again by the library's own reader; another program reads them in tests/oracles.
#![cfg(feature = "parquet")]
#![allow(clippy::unwrap_used, clippy::panic, reason = "a helper that fails must stop its test")]

use parquet::file::reader::{FileReader, SerializedFileReader};
use parquet::record::Field as Read;
use wattproof_export::columns;
use wattproof_report::{Field, Kind, Table, TableColumn};

/// Apache Parquet's format: what is written is read again, what is absent is null, words are UTF-8.
#[test]
fn what_is_written_is_read_again() {
    let column = |name: &str, kind| TableColumn { name: name.into(), kind };
    let table = Table {
        name: "steps".into(),
        columns: vec![
            column("step", Kind::Whole),
            column("active_w", Kind::Number),
            column("flags", Kind::Words),
            column("driven", Kind::Flag),
        ],
        rows: vec![
            vec![
                Field::Whole(1),
                Field::Number(115.595_994_123_456_78),
                Field::Words("=é".into()),
                Field::Flag(true),
            ],
            vec![Field::Whole(2), Field::Empty, Field::Empty, Field::Flag(false)],
        ],
    };
    let mut file = tempfile::tempfile().unwrap();
    std::io::Write::write_all(&mut file, &columns(&table).unwrap()).unwrap();
    let reader = SerializedFileReader::new(file).unwrap();
    let rows: Vec<Vec<Read>> = reader
        .get_row_iter(None)
        .unwrap()
        .map(|row| row.unwrap().get_column_iter().map(|(_, field)| field.clone()).collect())
        .collect();
    assert_eq!(
        rows,
        [
            vec![
                Read::Long(1),
                Read::Double(115.595_994_123_456_78),
                Read::Str("=é".into()),
                Read::Bool(true)
            ],
            vec![Read::Long(2), Read::Null, Read::Null, Read::Bool(false)],
        ]
    );
    let empty = Table { rows: Vec::new(), ..table };
    assert!(columns(&empty).unwrap().starts_with(b"PAR1"));
}
