//! Writing to standard output, where a reader may have seen enough.

use std::io::Write;

use crate::error::{Code, Error, Result};

/// Writes a text to standard output. A reader that went away, such as `head`, is no failure.
///
/// # Errors
/// Unavailable, when it cannot be written.
pub fn print(text: &str) -> Result<()> {
    let mut out = std::io::stdout().lock();
    match out.write_all(text.as_bytes()).and_then(|()| out.flush()) {
        Err(cause) if cause.kind() != std::io::ErrorKind::BrokenPipe => {
            Err(Error::new(Code::Unavailable, "Standard output cannot be written to.").because(cause))
        }
        _ => Ok(()),
    }
}

/// The same with a line's end.
///
/// # Errors
/// As [`print`].
pub fn print_line(text: &str) -> Result<()> {
    print(&format!("{text}\n"))
}
