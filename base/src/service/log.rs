//! Lines to standard error by a thread of their own: where nobody reads on, or a terminal is held, the base works on.

use std::io::Write;
use std::sync::LazyLock;
use std::sync::mpsc::{Receiver, SyncSender, sync_channel};
use std::time::Duration;

/// So many lines wait; what comes beyond them is lost.
const WAITING: usize = 1_024;

enum Line {
    Text(String),
    /// All before it is written.
    End(SyncSender<()>),
}

static LINES: LazyLock<SyncSender<Line>> = LazyLock::new(|| {
    let (sender, receiver) = sync_channel(WAITING);
    std::thread::spawn(move || write(receiver));
    sender
});

fn write(lines: Receiver<Line>) {
    for line in lines {
        _ = match line {
            Line::Text(text) => writeln!(std::io::stderr().lock(), "{text}").ok(),
            Line::End(written) => written.send(()).ok(),
        };
    }
}

/// Writes a line when there is time for it.
pub fn log(line: impl std::fmt::Display) {
    if cfg!(test) {
        // Only this way a test keeps its output to itself.
        eprintln!("{line}");
    } else {
        _ = LINES.try_send(Line::Text(line.to_string()));
    }
}

/// Waits until all is written, but not for ever.
pub fn finish() {
    let (written, waited) = sync_channel(1);
    if LINES.try_send(Line::End(written)).is_ok() {
        _ = waited.recv_timeout(Duration::from_secs(1));
    }
}
