//! The layouts of a call: the one that was named, or all of the folder `layouts` next to the configuration.

use super::args::Args;
use crate::cli::exit::Exit;
use crate::config;
use crate::hand::fitting::{NamedLayout, Styles};
use crate::wire::seq::Address;
use std::path::{Path, PathBuf};

impl Args {
    /// The layouts by which CSV files in other styles are read. `logger`: the one that a person named.
    pub(super) fn styles(&self, config_path: &Path, logger: Option<Address>) -> Result<Styles, Exit> {
        let folder = config_path.parent().unwrap_or(Path::new("")).join("layouts");
        let mut styles = Styles { is_given: self.layout.is_some(), logger, ..Styles::default() };
        if let Some(name) = &self.layout {
            let layout = config::layout::load(&path_of(&folder, name));
            let layout = layout.map_err(|problems| Exit::refused(&problems))?;
            styles.layouts.push(NamedLayout { name: name.clone(), layout });
            return Ok(styles);
        }
        for (name, layout) in config::layout::load_all(&folder) {
            match layout {
                Ok(layout) => styles.layouts.push(NamedLayout { name, layout }),
                Err(problems) => styles.faulty.extend(problems.iter().next().map(ToString::to_string)),
            }
        }
        Ok(styles)
    }
}

/// A layout's file: a path, or a name in the folder of layouts.
fn path_of(folder: &Path, name: &str) -> PathBuf {
    if name.contains('/') || name.ends_with(".toml") {
        return PathBuf::from(name);
    }
    folder.join(format!("{name}.toml"))
}
