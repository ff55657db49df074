//! Paths by their names alone: the folder of a file. Nothing is looked at.

use std::path::Path;

/// The folder in which a file lies.
pub fn folder_of(path: &Path) -> &Path {
    path.parent().filter(|parent| !parent.as_os_str().is_empty()).unwrap_or(Path::new("."))
}
