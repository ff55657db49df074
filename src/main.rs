//! Arguments in, exit code out; the library does everything else.

use std::process::ExitCode;

fn main() -> ExitCode {
    ExitCode::from(stonechat::cli::main())
}
