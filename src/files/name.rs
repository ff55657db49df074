//! Paths by their names alone: the folder of a file. The disk is not accessed.

use std::path::Path;

/// The folder of a file.
pub fn folder_of(path: &Path) -> &Path {
    path.parent().filter(|parent| !parent.as_os_str().is_empty()).unwrap_or(Path::new("."))
}
