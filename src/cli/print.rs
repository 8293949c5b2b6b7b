//! `print`: a procedure on paper.
//!
//! Owns where the page goes, and asking a browser for the PDF. Must not know what is on it (`paper` does).

use super::{say, tell};
use crate::failure::{ExitCode, Failure};
use crate::paper::{self, Paper};
use crate::procedure::parse;
use crate::record::chain::sha256_hex;
use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};

#[derive(Debug, clap::Args)]
#[command(after_help = "Examples:
  antiphon print procedures/isolation-donning.toml --out donning.html        open it in a browser and print it
  antiphon print procedures/isolation-donning.toml --pdf donning.pdf         needs Chromium
  antiphon print procedures/isolation-donning.toml --paper letter > donning.html

The page has the steps, phrases, conditions and cautions of the file, boxes for times and initials, and the file's version
and SHA-256 digest, so that a sheet can be matched with the procedure it was made from.")]
pub struct PrintArgs {
    /// The procedure's file
    procedure: PathBuf,
    /// Where the page goes (default: stdout)
    #[arg(long, value_name = "FILE.html")]
    out: Option<PathBuf>,
    /// Also, or instead, a PDF, made by Chromium where it is installed
    #[arg(long, value_name = "FILE.pdf")]
    pdf: Option<PathBuf>,
    /// Sheet size
    #[arg(long, value_enum, default_value = "a4")]
    paper: Paper,
}

/// Browsers that can make a PDF, by the names they are installed under.
const BROWSERS: [&str; 4] = ["chromium", "chromium-browser", "google-chrome", "google-chrome-stable"];

pub fn run(args: PrintArgs) -> Result<ExitCode, Failure> {
    let (procedure, source) = parse::load(&args.procedure)?;
    let name = args.procedure.file_name().unwrap_or_default().to_string_lossy();
    let page = paper::page(&procedure, &name, &sha256_hex(source.as_bytes()), args.paper)
        .map_err(|error| Failure::new(ExitCode::Internal, format!("can't make the page: {error}")))?;
    if let Some(out) = &args.out {
        write(out, &page)?;
        tell(&format!("page: {}", out.display()));
    }
    match &args.pdf {
        Some(pdf) => make_pdf(&page, pdf)?,
        None if args.out.is_none() => say(page.trim_end()),
        None => {}
    }
    Ok(ExitCode::Done)
}

fn write(file: &Path, page: &str) -> Result<(), Failure> {
    std::fs::write(file, page).map_err(|error| {
        Failure::new(ExitCode::BadFolder, format!("{}: can't write the page", file.display())).why(error)
    })
}

fn make_pdf(page: &str, pdf: &Path) -> Result<(), Failure> {
    let failed = |why: String| {
        Failure::new(ExitCode::Internal, format!("{}: can't make the PDF", pdf.display()))
            .why(why)
            .fix("write the page with --out and print it from a browser")
    };
    let folder = tempfile::tempdir().map_err(|error| failed(error.to_string()))?;
    let html = folder.path().join("page.html");
    write(&html, page)?;
    // The browser writes where it is told only with a whole path.
    let target = std::path::absolute(pdf).map_err(|error| failed(error.to_string()))?;
    for browser in BROWSERS {
        let mut command = Command::new(browser);
        command.args(["--headless", "--disable-gpu", "--no-pdf-header-footer"]);
        if is_root() {
            // Chromium refuses to run as root with its sandbox; the page is our own and has no script.
            command.arg("--no-sandbox");
        }
        command.arg(format!("--user-data-dir={}", folder.path().join("profile").display()));
        command.arg(format!("--print-to-pdf={}", target.display())).arg(&html);
        let ran = command.stdin(Stdio::null()).stdout(Stdio::null()).stderr(Stdio::piped()).output();
        match ran {
            Err(error) if error.kind() == std::io::ErrorKind::NotFound => continue,
            Err(error) => return Err(failed(format!("{browser}: {error}"))),
            Ok(output) if output.status.success() && target.is_file() => {
                tell(&format!("PDF: {} (made by {browser})", pdf.display()));
                return Ok(());
            }
            Ok(output) => {
                let words = String::from_utf8_lossy(&output.stderr);
                return Err(failed(format!("{browser}: {}", words.lines().last().unwrap_or("it failed"))));
            }
        }
    }
    Err(Failure::new(ExitCode::MissingModel, "no Chromium was found, which makes the PDF").fix(
        "apt-get install chromium; or write the page with --out FILE.html and print it from any browser",
    ))
}

fn is_root() -> bool {
    rustix::process::geteuid().is_root()
}
