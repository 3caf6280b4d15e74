//! Which user the server runs as: ours, or an unprivileged one when we are root.

use std::fs;
use std::os::unix::fs::MetadataExt;
use std::os::unix::process::CommandExt;
use std::path::Path;
use std::process::Command;

use super::error::PrivateError;

/// An entry of `/etc/passwd`: the unprivileged user that `postgres` runs as when we are root.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Account {
    /// Login name.
    pub name: String,
    /// User number.
    pub uid: u32,
    /// Number of the user's own group; supplementary groups are dropped.
    pub gid: u32,
}

/// Whether this process has root's rights, with which `postgres` refuses to run.
#[must_use]
pub fn is_root() -> bool {
    rustix::process::geteuid().is_root()
}

/// The user to run `postgres` as; `None` means our own. An existing cluster keeps its owner, so that a
/// `postgres` user that appears later does not lock us out of it.
pub(super) fn unprivileged(cluster: &Path) -> Result<Option<Account>, PrivateError> {
    if !is_root() {
        return Ok(None);
    }
    let passwd = Path::new("/etc/passwd");
    let users = fs::read_to_string(passwd).map_err(|e| PrivateError::io("cannot read", passwd, &e))?;
    let users: Vec<Account> = users.lines().filter_map(parse).collect();
    let found = match fs::metadata(cluster) {
        Ok(metadata) => users.iter().find(|user| user.uid == metadata.uid()),
        Err(_not_there_yet) => ["postgres", "nobody"]
            .iter()
            .find_map(|name| users.iter().find(|user| user.name == *name && user.uid != 0)),
    };
    match found {
        Some(user) if user.uid != 0 => Ok(Some(user.clone())),
        _ => Err(PrivateError::new(
            format!(
                "PostgreSQL does not run as root, and no unprivileged user is there to run it on {}",
                cluster.display()
            ),
            "create one (useradd --system postgres) and give it the folder, or start garboard as an ordinary user",
        )),
    }
}

fn parse(line: &str) -> Option<Account> {
    let mut fields = line.split(':');
    let name = fields.next()?.to_owned();
    let (_password, uid, gid) = (fields.next()?, fields.next()?, fields.next()?);
    Some(Account { name, uid: uid.parse().ok()?, gid: gid.parse().ok()? })
}

/// Makes `command` run as `account`; the standard library also empties the supplementary groups when root.
pub(super) fn run_as(command: &mut Command, account: Option<&Account>) {
    if let Some(account) = account {
        command.uid(account.uid).gid(account.gid);
    }
}

/// Refuses a folder below one that `account` may not enter, root's 0700 home for example.
pub(super) fn check_reachable(folder: &Path, account: &Account) -> Result<(), PrivateError> {
    for ancestor in folder.ancestors().skip(1) {
        let metadata =
            fs::metadata(ancestor).map_err(|e| PrivateError::io("cannot look at", ancestor, &e))?;
        let enter = if metadata.uid() == account.uid {
            0o100
        } else if metadata.gid() == account.gid {
            0o010
        } else {
            0o001
        };
        if metadata.mode() & enter == 0 {
            return Err(PrivateError::new(
                format!(
                    "{} lies in {}, which the user {} that PostgreSQL runs as may not enter",
                    folder.display(),
                    ancestor.display(),
                    account.name
                ),
                "name another folder with --data-dir, /var/lib/garboard for example",
            ));
        }
    }
    Ok(())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn passwd_lines_are_read() {
        // Layout of the line: passwd(5).
        let user = parse("postgres:x:101:104:PostgreSQL administrator,,,:/var/lib/postgresql:/bin/bash");
        assert_eq!(user, Some(Account { name: "postgres".to_owned(), uid: 101, gid: 104 }));
        assert_eq!(parse("+::::::"), None);
        assert_eq!(parse(""), None);
    }
}
