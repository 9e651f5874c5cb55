//! A path as a sheet writes it.
//!
//! In: a file and the sheet's folder, however they were spelled. Out: the way from the folder to the file, so that both can
//! be moved together; absolute only where they have nothing but the disk in common.

use std::ffi::OsString;
use std::path::{Component, Path, PathBuf};

/// A path as seen from a folder. Links stay links where the way that they give leads to the file; an empty folder is the
/// one that the command runs in.
pub(super) fn relative(path: &Path, base: &Path) -> PathBuf {
    let here = |p: &Path| std::path::absolute(if p.as_os_str().is_empty() { Path::new(".") } else { p });
    let (Ok(path), Ok(base)) = (here(path), here(base)) else { return path.to_owned() };
    if let Ok(inside) = path.strip_prefix(&base)
        && !has_dots(inside)
    {
        return inside.to_owned();
    }
    // Folding ".." away, or going up with it, is right only where no link lies on the way; what is on the disk tells.
    let leads = |way: &PathBuf| match path.canonicalize() {
        Ok(file) => base.join(way).canonicalize().is_ok_and(|there| there == file),
        Err(_) => !has_dots(&path) && !has_dots(&base),
    };
    if let Some(way) = way(&path, &base).filter(leads) {
        return way;
    }
    let Some(real) = real(&path) else { return path };
    base.canonicalize().ok().and_then(|base| way(&real, &base)).unwrap_or(real)
}

/// A file in its folder's real place; the file itself may be a link.
fn real(path: &Path) -> Option<PathBuf> {
    Some(path.parent()?.canonicalize().ok()?.join(path.file_name()?))
}

fn has_dots(path: &Path) -> bool {
    path.components().any(|c| c == Component::ParentDir)
}

/// The parts of a path, each `..` folded with the folder before it.
fn folded(path: &Path) -> Vec<OsString> {
    let mut parts = Vec::new();
    for c in path.components() {
        match c {
            Component::ParentDir if parts.len() > 1 => {
                parts.pop();
            }
            Component::CurDir | Component::ParentDir => {}
            other => parts.push(other.as_os_str().to_owned()),
        }
    }
    parts
}

/// The way from one absolute path to another; `None` where they share no folder.
fn way(path: &Path, base: &Path) -> Option<PathBuf> {
    let (path, base) = (folded(path), folded(base));
    let shared = path.iter().zip(&base).take_while(|(x, y)| x == y).count();
    let up = std::iter::repeat_n(OsString::from(".."), base.len() - shared);
    (shared > 1).then(|| up.chain(path.into_iter().skip(shared)).collect())
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::fs;

    #[test]
    fn a_file_beside_the_sheet_is_written_as_its_name_however_the_folder_was_spelled() {
        let dir = tempfile::tempdir().unwrap();
        for folder in ["song", "cwd"] {
            fs::create_dir(dir.path().join(folder)).unwrap();
        }
        fs::write(dir.path().join("song/kick in.wav"), b"").unwrap();
        let from = |folder: &str| dir.path().join(folder);
        for (file, base, written) in [
            ("cwd/../song/kick in.wav", "cwd/../song", "kick in.wav"),
            ("cwd/../song/kick in.wav", "song", "kick in.wav"),
            ("song/kick in.wav", "cwd/../song", "kick in.wav"),
            ("song/./kick in.wav", "song", "kick in.wav"),
            ("cwd/../song/kick in.wav", "cwd", "../song/kick in.wav"),
            ("song/kick in.wav", "cwd/..", "song/kick in.wav"),
        ] {
            assert_eq!(relative(&from(file), &from(base)), Path::new(written), "{file} from {base}");
        }
        assert_eq!(relative(Path::new("/a/kick.wav"), Path::new("/b")), Path::new("/a/kick.wav"));
    }

    #[cfg(unix)]
    #[test]
    fn a_way_up_through_a_link_leads_to_the_file() {
        let dir = tempfile::tempdir().unwrap();
        let root = dir.path().canonicalize().unwrap();
        fs::create_dir_all(root.join("deep/er/song")).unwrap();
        fs::create_dir_all(root.join("deep/takes")).unwrap();
        fs::write(root.join("deep/takes/kick.wav"), b"").unwrap();
        std::os::unix::fs::symlink(root.join("deep/er/song"), root.join("song")).unwrap();
        std::os::unix::fs::symlink(root.join("deep/takes/kick.wav"), root.join("deep/er/song/in.wav")).unwrap();
        let seen = |file: &str| relative(&root.join(file), &root.join("song"));
        assert_eq!(seen("deep/takes/kick.wav"), Path::new("../../takes/kick.wav"));
        assert_eq!(seen("song/../../takes/kick.wav"), Path::new("../../takes/kick.wav"));
        assert_eq!(seen("song/in.wav"), Path::new("in.wav"), "a link stays a link");
    }
}
