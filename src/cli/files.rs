//! Output folders and sets of output files: all of them appear, or none.

use crate::error::{Error, Located, Result};
use crate::output::{AtomicFile, Claim, Inputs, write_all_whole};
use std::fs;
use std::path::{Path, PathBuf};

/// A folder for results. Folders that had to be made for it vanish again if nothing was put into them.
pub(super) struct OutFolder {
    path: PathBuf,
    made: Vec<PathBuf>,
    /// Keeps other commands out until this one is done.
    claim: Option<Claim>,
}

impl OutFolder {
    /// Makes the folder where it is missing and sees that files can be made in it, before any work is done.
    ///
    /// # Errors
    /// [`OutputFault`](crate::output::OutputFault) when it cannot be made or written to.
    pub fn prepare(path: &Path) -> Result<Self> {
        let path = if path.as_os_str().is_empty() { Path::new(".") } else { path };
        let missing: Vec<PathBuf> =
            path.ancestors().take_while(|p| !p.as_os_str().is_empty() && !p.exists()).map(Path::to_owned).collect();
        let folder = Self { path: path.to_owned(), made: missing, claim: None };
        crate::output::make_folder(path)?;
        crate::output::sweep(path);
        // A file that is begun and dropped leaves nothing.
        drop(AtomicFile::create(&path.join("probe")).map_err(|e| match e {
            Error::Output(fault) => Located::whole(path, fault.fault).into(),
            other => other,
        })?);
        Ok(folder)
    }

    /// The same for the folder of a song's results (`song` is its sheet, or what stands for it), in which one command writes at
    /// a time. `held` is the hold of the run that this is a stage of.
    ///
    /// # Errors
    /// As [`prepare`](Self::prepare), and `Busy` while another command writes there.
    pub fn hold(path: &Path, song: &Path, held: Option<&Claim>) -> Result<Self> {
        let mut folder = Self::prepare(path)?;
        folder.claim = Claim::beside(held, &folder.path, song)?;
        Ok(folder)
    }

    /// The hold on it, where this command took one.
    pub fn claim(&self) -> Option<&Claim> {
        self.claim.as_ref()
    }

    pub fn path(&self) -> &Path {
        &self.path
    }

    /// A file in the folder.
    pub fn file(&self, name: &str) -> PathBuf {
        self.path.join(name)
    }
}

impl Drop for OutFolder {
    fn drop(&mut self) {
        // First, as it may have a file in the folder.
        self.claim.take();
        for made in &self.made {
            // Fails, as it should, where the folder holds results.
            let _ = fs::remove_dir(made);
        }
    }
}

/// Writes several files: every one is complete on the disk before the first takes its name.
///
/// # Errors
/// [`OutputFault`](crate::output::OutputFault): `WouldReplaceInput` when a target is one of the inputs; others when
/// writing fails.
pub(super) fn write_together(files: &[(PathBuf, Vec<u8>)], inputs: &[PathBuf]) -> Result<()> {
    let inputs = Inputs::of(inputs);
    for (target, _) in files {
        inputs.refuse(target)?;
    }
    write_all_whole(files)
}
