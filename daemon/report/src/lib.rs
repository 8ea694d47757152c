//! A recorded run told to people.
//!
//! In comes the folder of a run, finished, stopped, failed or still going on; out go one self-contained HTML report, figures
//! as SVG, the run in a few figures, its steps as data, several runs side by side, and the record of a unit that was
//! taken in. It reads folders through `daemon/runs` and writes nothing: who calls it decides where a text goes. Only
//! `daemon/app`, `daemon/serve` and `daemon/export` may call it. It must not know ports, SCPI, HTTP or how anything was measured. A folder may come from another person: links in it
//! are not followed, sizes are bounded, texts are escaped.

mod cautions;
mod compare;
mod error;
mod figures;
mod found;
mod intake;
mod number;
mod page;
mod record;
mod table;

pub use cautions::CAUTIONS;
pub use compare::{
    Cell, Column, Comparison, Difference, How, Overlay, Quantity, QuantityCell, Row, compare, compare_figure,
    compare_page, compared_table, differences_table, letter,
};
pub use error::ReportError;
pub use figures::{distortion, spectrum, supply, waveform, xml_text};
pub use found::found_csv;
pub use intake::{BeforeTold, CheckTold, Former, IntakeRecord, Known, intake, intake_page};
pub use number::{duration, significant, with_u};
pub use page::{Fact, Outline, outline, report};
pub use record::{
    ChannelRow, RatingBrief, RunBrief, RunTables, StepRow, brief, entry, findings, joined, step_row, steps,
    tables,
};
pub use table::{Field, Kind, Table, TableColumn};
