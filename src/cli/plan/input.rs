//! What the plans read: the plan's file, a section, a grid.

use crate::cli::exit::Exit;
use crate::config::{self, Plan};
use crate::files;
use crate::siting::section::SectionError;
use std::path::{Path, PathBuf};

/// The name of the plan's file next to site.toml.
const USUAL_NAME: &str = "plan.toml";
/// The largest file of terrain. Ours: a grid of 4000 by 4000 cells.
const TERRAIN_LEN_MAX_BYTES: u64 = 128 * 1024 * 1024;

// No doc comment: clap would show it as the description of each command that includes it.
#[derive(clap::Args)]
pub struct PlanArg {
    /// The file with the plan's figures [default: plan.toml next to site.toml]
    #[arg(long, value_name = "FILE")]
    plan: Option<PathBuf>,
}

impl PlanArg {
    /// The file.
    pub fn file(&self, config_path: &Path) -> PathBuf {
        self.plan.clone().unwrap_or_else(|| files::folder_of(config_path).join(USUAL_NAME))
    }

    /// Its figures.
    pub fn read(&self, config_path: &Path) -> Result<Plan, Exit> {
        config::load_plan(&self.file(config_path)).map_err(|problems| Exit::refused(&problems))
    }

    /// That the file lacks a table that this plan needs.
    pub fn lacks(&self, config_path: &Path, table: &str) -> Exit {
        let file = self.file(config_path);
        Exit::usage(format!(
            "{}: `{table}`: missing; add it, as the example plan.toml has it",
            file.display()
        ))
    }
}

/// A file of terrain, read by `read`; a mistake in it names the file and its line.
pub fn terrain<T>(file: &Path, read: impl Fn(&str) -> Result<T, SectionError>) -> Result<T, Exit> {
    let shown = file.display();
    let bytes = files::read(file, TERRAIN_LEN_MAX_BYTES)
        .map_err(|error| Exit::could_not(format!("{shown}: cannot be read: {error}")))?;
    let text = std::str::from_utf8(&bytes)
        .map_err(|_| Exit::usage(format!("{shown}: is not text in UTF-8; save it as plain text")))?;
    read(text).map_err(|error| mistake(file, &error))
}

/// A mistake in a file of terrain.
pub fn mistake(file: &Path, error: &SectionError) -> Exit {
    let line = error.line.map_or(String::new(), |line| format!(":{line}"));
    Exit::usage(format!("{}{line}: {error}", file.display()))
}
