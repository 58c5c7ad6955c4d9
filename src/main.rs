//! The command line: parse, run, turn the outcome into an exit code.

fn main() -> std::process::ExitCode {
    wattward::cli::main()
}
