//! SQLite by way of Python's own module, which shares no code with the catalogue.

use std::path::Path;
use std::process::Command;

/// Runs statements on a file and gives back the rows of the last one as JSON.
pub fn sqlite(file: &Path, statements: &[&str]) -> serde_json::Value {
    let script = "import json, sqlite3, sys\n\
        base = sqlite3.connect(sys.argv[1])\n\
        for statement in sys.argv[2:]:\n\
        \x20   rows = base.execute(statement).fetchall()\n\
        base.commit()\n\
        print(json.dumps(rows))\n";
    let said = Command::new("python3").args(["-c", script]).arg(file).args(statements).output().unwrap();
    assert!(said.status.success(), "{}", String::from_utf8_lossy(&said.stderr));
    serde_json::from_slice(&said.stdout).unwrap()
}
