//! The layouts of a configuration: all files of a folder.

use super::Layout;
use super::read::load;
use crate::config::problem::Problems;
use crate::files;
use std::path::Path;

/// The most layouts of a folder; a site has a handful of kinds of readers.
const LAYOUTS_MAX: usize = 100;

/// Reads every `NAME.toml` of a folder, in the order of the names; none if there is no such folder.
pub fn load_all(folder: &Path) -> Vec<(String, Result<Layout, Problems>)> {
    let paths = files::list(folder).unwrap_or_default();
    let layouts = paths.iter().filter(|path| path.extension().is_some_and(|extension| extension == "toml"));
    let name = |path: &Path| path.file_stem().map(|name| name.to_string_lossy().into_owned());
    layouts.take(LAYOUTS_MAX).filter_map(|path| Some((name(path)?, load(path)))).collect()
}
