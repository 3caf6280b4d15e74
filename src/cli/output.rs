//! Writing to standard output, where a reader may have seen enough.

use std::io::Write;
use std::path::Path;

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

/// A text of somebody else's on one line, with nothing in it that would steer the terminal.
#[must_use]
pub fn hushed(text: &str) -> String {
    text.chars().map(|c| if c.is_control() { ' ' } else { c }).collect()
}

/// Writes a file whole or not at all; standard output where none is named.
///
/// # Errors
/// Those of `f`; unavailable, when the file cannot be written.
pub fn write_to(path: Option<&Path>, f: impl FnOnce(&mut dyn Write) -> Result<()>) -> Result<()> {
    let Some(path) = path else {
        let mut out = std::io::stdout().lock();
        return f(&mut out);
    };
    let wrong = |cause: std::io::Error| {
        Error::new(
            Code::Unavailable,
            format!("{} cannot be written: {cause}. Choose another with --out.", path.display()),
        )
    };
    let folder = path.parent().filter(|folder| !folder.as_os_str().is_empty()).unwrap_or(Path::new("."));
    let mut file = tempfile::NamedTempFile::new_in(folder).map_err(wrong)?;
    f(&mut file)?;
    file.as_file().sync_all().map_err(wrong)?;
    // As any file of the user's is made; a temporary one is for its maker alone.
    let as_others = std::os::unix::fs::PermissionsExt::from_mode(0o644);
    file.as_file().set_permissions(as_others).map_err(wrong)?;
    file.persist(path).map_err(|cause| wrong(cause.error))?;
    Ok(())
}

/// The same with a line's end.
///
/// # Errors
/// As [`print`].
pub fn print_line(text: &str) -> Result<()> {
    print(&format!("{text}\n"))
}
