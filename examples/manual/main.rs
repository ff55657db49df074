//! Writes the manual pages and shell completions into a folder: `cargo run --example manual -- DIR`.
//!
//! It is an example and not a command, so that its two libraries are not installed on a gateway. `deploy/package` runs
//! it.

mod pages;

use std::path::Path;
use std::process::ExitCode;

fn main() -> ExitCode {
    let Some(dir) = std::env::args_os().nth(1) else {
        eprintln!("manual: name the folder that the pages go into");
        return ExitCode::from(2);
    };
    match write(Path::new(&dir)) {
        Ok(files) => {
            println!("wrote {files} files to {}", Path::new(&dir).display());
            ExitCode::SUCCESS
        }
        Err(error) => {
            eprintln!("manual: {}: {error}", Path::new(&dir).display());
            ExitCode::from(3)
        }
    }
}

fn write(dir: &Path) -> std::io::Result<usize> {
    let config = Path::new(env!("CARGO_MANIFEST_DIR")).join("config");
    let files = pages::all(&config)?;
    for (name, text) in &files {
        let path = dir.join(name);
        if let Some(folder) = path.parent() {
            std::fs::create_dir_all(folder)?;
        }
        std::fs::write(path, text)?;
    }
    Ok(files.len())
}
