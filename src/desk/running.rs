//! The desk that is open on a folder: another start finds it instead of opening a second one.
//!
//! Its address stands in a private file in the folder, on which it holds the system's own lock: the lock is gone with the
//! program, however that ended, and then the address means nothing.

use std::fs::{File, TryLockError};
use std::io::{Read as _, Seek as _, SeekFrom, Write as _};
use std::path::Path;

use crate::files;

/// In the folder of the book.
pub const FILE: &str = "class-book.desk";

/// Whether the folder is this program's.
pub enum Found {
    /// It is; until this is dropped.
    Ours(Ours),
    /// Another program serves it, at this address.
    Another(String),
}

/// The lock, held.
pub struct Ours(File);

/// Takes a folder, or finds who has it.
///
/// # Errors
/// If the file cannot be made or read.
pub fn take(folder: &Path) -> std::io::Result<Found> {
    let path = folder.join(FILE);
    let mut file = match files::create(&path) {
        Err(error) if error.kind() == std::io::ErrorKind::AlreadyExists => {
            std::fs::OpenOptions::new().read(true).write(true).open(&path)?
        }
        other => other?,
    };
    match file.try_lock() {
        Ok(()) => Ok(Found::Ours(Ours(file))),
        Err(TryLockError::WouldBlock) => {
            let mut address = String::new();
            // Who has just begun has not yet said where.
            for _ in 0..100 {
                file.seek(SeekFrom::Start(0))?;
                address.clear();
                (&file).take(1024).read_to_string(&mut address)?;
                if address.ends_with('\n') {
                    break;
                }
                std::thread::sleep(std::time::Duration::from_millis(20));
            }
            Ok(Found::Another(address.trim().to_owned()))
        }
        // Some shared folders know no locks: then each start is a desk of its own.
        Err(TryLockError::Error(error)) if error.kind() == std::io::ErrorKind::Unsupported => {
            Ok(Found::Ours(Ours(file)))
        }
        Err(TryLockError::Error(error)) => Err(error),
    }
}

impl Ours {
    /// Says where the desk is.
    ///
    /// # Errors
    /// If the disk is full.
    pub fn say(&mut self, address: &str) -> std::io::Result<()> {
        self.0.set_len(0)?;
        self.0.seek(SeekFrom::Start(0))?;
        self.0.write_all(format!("{address}\n").as_bytes())
    }
}

impl Drop for Ours {
    fn drop(&mut self) {
        // The key in it opens nothing any more.
        let _ = self.0.set_len(0);
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_second_start_finds_the_first_and_a_third_after_it_begins_anew() {
        let place = tempfile::tempdir().unwrap();
        let Found::Ours(mut first) = take(place.path()).unwrap() else { panic!("nobody else is here") };
        first.say("http://127.0.0.1:4711/open?key=5e").unwrap();
        match take(place.path()).unwrap() {
            Found::Another(address) => assert_eq!(address, "http://127.0.0.1:4711/open?key=5e"),
            Found::Ours(_) => panic!("two desks"),
        }
        #[cfg(unix)]
        {
            use std::os::unix::fs::PermissionsExt as _;
            assert_eq!(std::fs::metadata(place.path().join(FILE)).unwrap().permissions().mode() & 0o777, 0o600);
        }
        drop(first);
        assert!(matches!(take(place.path()).unwrap(), Found::Ours(_)));
    }
}
