//! Arguments in, exit code out; everything else is the library's.

use std::process::ExitCode;

fn main() -> ExitCode {
    ExitCode::from(stonechat::cli::main())
}
