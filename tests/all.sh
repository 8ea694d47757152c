#!/usr/bin/env bash
# Runs every check of the project: installs what is missing, builds, tests. Quiet unless something fails.
#
# Works from any folder, any number of times. Needs Debian or Ubuntu and rights to install packages if one of the
# few below is missing. Real instruments are neither needed nor touched.
set -euo pipefail
cd "$(dirname "${BASH_SOURCE[0]}")/.."
log=$(mktemp)
trap 'rm -f "$log"' EXIT
passed=0
# What took half a minute or more, for whoever finds that all of it takes too long.
times=()
# What is off by default and tested all the same: columns take half a minute to build.
features=wattproof-export/parquet
# Where everything is built, and the program that the tests in Rust and Python start.
CARGO_TARGET_DIR=$(realpath -m "${CARGO_TARGET_DIR:-target}")
export CARGO_TARGET_DIR
export WATTPROOF_BIN="$CARGO_TARGET_DIR/release/wattproof"

# Runs a command; its output is shown only if it fails, and what failed by name once more at the end.
quietly() {
    local what=$1 began=$SECONDS
    shift
    if ! "$@" >"$log" 2>&1 </dev/null; then
        cat "$log" >&2
        sed 's/\x1b\[[0-9;]*m//g' "$log" | grep -E '^(error|FAILED|not ok)|^ *(FAIL|TRY [0-9]+ FAIL|SIG[A-Z]+|TIMEOUT) ' |
            sort | uniq | head -n 40 || true
        echo "tests/all.sh: failed: $what ($*)"
        exit 1
    fi
    if [ $((SECONDS - began)) -ge 30 ]; then
        times+=("$what $((SECONDS - began)) s")
    fi
}

# Counts the tests of the last command from the summaries it printed. A part that ran none has failed.
count() {
    local what=$1 found
    # cargo-nextest "123 tests run: 123 passed", cargo test "ok. 12 passed; 0 failed", pytest "12 passed, 1 skipped in
    # 3.4s", node "# pass 12", or "ℹ pass 12" at a terminal.
    found=$(sed -E 's/\x1b\[[0-9;]*m//g; s/^(#|ℹ) pass ([0-9]+)$/passed in node: \2 passed/' "$log" |
        grep -E 'tests? run:|^test result:|passed(, [0-9]+ [a-z]+)* in ' |
        grep -oE '[0-9]+ passed' | awk '{ sum += $1 } END { print sum + 0 }' || true)
    if [ "$found" -eq 0 ]; then
        cat "$log" >&2
        echo "tests/all.sh: failed: $what ran no test" >&2
        exit 1
    fi
    passed=$((passed + found))
}

as_root() {
    if [ "$(id -u)" -eq 0 ]; then
        "$@"
    else
        sudo "$@"
    fi
}

# A Python that can make an environment of its own, 3.11 or newer as the pinned libraries want.
usable_python() {
    local candidate folder
    for candidate in "${PYTHON:-python3}" python3 python3.13 python3.12 python3.11 /usr/bin/python3 \
        "$HOME"/.pyenv/versions/3.1[1-9]*/bin/python3; do
        command -v "$candidate" >/dev/null 2>&1 || continue
        "$candidate" -c 'import sys; sys.exit(sys.version_info < (3, 11))' 2>/dev/null || continue
        folder=$(mktemp -d)
        if "$candidate" -m venv "$folder/venv" >/dev/null 2>&1 && [ -x "$folder/venv/bin/pip" ]; then
            rm -rf "$folder"
            command -v "$candidate"
            return
        fi
        rm -rf "$folder"
    done
    return 1
}

install_packages() {
    local missing=()
    command -v ngspice >/dev/null || missing+=(ngspice)
    command -v cc >/dev/null || missing+=(build-essential)
    command -v chromium >/dev/null || missing+=(chromium)
    command -v node >/dev/null || missing+=(nodejs)
    command -v npm >/dev/null || missing+=(npm)
    # Debian keeps the server's programs off the search path.
    command -v initdb >/dev/null || compgen -G '/usr/lib/postgresql/*/bin/initdb' >/dev/null || missing+=(postgresql)
    # Once the environment is there, nobody needs another one.
    if [ ! -x .venv/bin/python ] && ! usable_python >/dev/null; then
        missing+=(python3 python3-venv)
    fi
    if [ ${#missing[@]} -gt 0 ]; then
        command -v apt-get >/dev/null || {
            echo "tests/all.sh: failed: install these by hand: ${missing[*]}" >&2
            exit 1
        }
        quietly "updating the list of packages" as_root apt-get update
        quietly "installing ${missing[*]}" as_root env DEBIAN_FRONTEND=noninteractive \
            apt-get install -y --no-install-recommends "${missing[@]}"
    fi
    command -v cargo >/dev/null || {
        echo "tests/all.sh: failed: no cargo; install Rust (see rust-version in Cargo.toml) and run again" >&2
        exit 1
    }
}

install_python_libraries() {
    # Made again when the list changes, or when the Python it was made with is gone.
    if .venv/bin/python -c '' 2>/dev/null && cmp -s tests/requirements.txt .venv/requirements.txt; then
        return
    fi
    local python
    python=$(usable_python) || {
        echo "tests/all.sh: failed: no Python 3.11 or newer with venv; set PYTHON to one and run again" >&2
        exit 1
    }
    rm -rf .venv
    quietly "making .venv" "$python" -m venv .venv
    quietly "installing Python libraries" .venv/bin/pip install --disable-pip-version-check -r tests/requirements.txt
    cp tests/requirements.txt .venv/requirements.txt
}

# What drives the browser; made again when the list changes.
install_page_libraries() {
    cmp -s tests/page/package-lock.json tests/page/node_modules/made-from.json && return
    quietly "installing what drives the browser" npm ci --prefix tests/page --no-audit --no-fund
    cp tests/page/package-lock.json tests/page/node_modules/made-from.json
}

install_packages
install_python_libraries
install_page_libraries
quietly "building" cargo build --release --locked -p wattproof -p wattproof-tests -p wattproof-faults
quietly "schedules of faults" "$CARGO_TARGET_DIR/release/wattproof-faults" --seeds 10000
schedules=$(grep -E '^[0-9]+ of [0-9]+ schedules broke' "$log")
if cargo nextest --version >/dev/null 2>&1; then
    quietly "tests in Rust" cargo nextest run --config-file tests/nextest.toml --workspace --features "$features" --locked --no-fail-fast --test-threads 6 \
        --status-level fail --final-status-level flaky
    count "tests in Rust"
    sed 's/\x1b\[[0-9;]*m//g' "$log" | grep -E '^ +FLAKY ' | sort -u || true
    # Examples in the documentation, which nextest leaves out.
    quietly "examples in the documentation" cargo test --workspace --features "$features" --locked --doc
else
    quietly "tests in Rust" cargo test --workspace --features "$features" --locked --no-fail-fast
    count "tests in Rust"
fi
quietly "checks by outside programs" .venv/bin/python -m pytest tests/oracles -q
count "checks by outside programs"
quietly "the page in a browser" npm test --prefix tests/page
count "the page in a browser"
echo "$schedules"
echo "All checks passed: Rust, numpy and scipy, ngspice, PostgreSQL, pyserial, PyVISA, pandas, html5lib, openpyxl, schemathesis, Chromium."
printf -v long '%s, ' "${times[@]}"
echo "Of $((SECONDS / 60)) minutes: ${long%, }"
echo "$passed passed, 0 failed"
