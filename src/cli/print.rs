//! `print`: a procedure on paper.
//!
//! Owns where the page goes, and asking a browser for the PDF. Must not know what is on it (`paper` does).

use super::{say, tell};
use crate::failure::{ExitCode, Failure};
use crate::files::scratch::Scratch;
use crate::files::write::{Unfinished, OPEN};
use crate::files::{self, Links};
use crate::paper::{self, Paper};
use crate::procedure::parse;
use crate::record::chain::sha256_hex;
use std::io::Write;
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
    let unwritable = |error: std::io::Error| {
        Failure::new(ExitCode::BadFolder, format!("{}: can't write the PDF", pdf.display())).why(error)
    };
    let Some((name, browser)) = BROWSERS.iter().find_map(|name| Some((*name, on_the_path(name)?))) else {
        return Err(Failure::new(ExitCode::MissingModel, "no Chromium was found, which makes the PDF").fix(
            "apt-get install chromium; or write the page with --out FILE.html and print it from any browser",
        ));
    };
    // Before the browser has its seconds.
    let mut target = Unfinished::new(pdf, OPEN).map_err(unwritable)?;
    let folder = Scratch::new().map_err(|error| failed(error.to_string()))?;
    write(&folder.path().join("page.html"), page)?;
    let mut why = String::new();
    for net in [Net::None, Net::NoNames] {
        match print(&browser, folder.path(), net) {
            Ok(made) => {
                target.write_all(&made).map_err(unwritable)?;
                target.keep().map_err(unwritable)?;
                tell(&format!("PDF: {} (made by {name})", pdf.display()));
                return Ok(());
            }
            Err(error) => why = format!("{name}: {error}"),
        }
    }
    Err(failed(why))
}

/// What the browser is given of the network. The page needs none of it, but a browser asks its maker's servers for updates
/// and the like of itself.
#[derive(Clone, Copy, PartialEq, Eq)]
enum Net {
    /// A network of its own with nothing in it, where the system lets a user make one.
    None,
    /// It can look up no name.
    NoNames,
}

/// Told on top, for the browser not to try; what it tries all the same leads nowhere.
const QUIET: [&str; 11] = [
    "--host-resolver-rules=MAP * ~NOTFOUND",
    "--disable-background-networking",
    "--disable-breakpad",
    "--disable-client-side-phishing-detection",
    "--disable-component-update",
    "--disable-default-apps",
    "--disable-domain-reliability",
    "--disable-extensions",
    "--disable-sync",
    "--no-default-browser-check",
    "--no-first-run",
];

/// The PDF of `page.html` in this folder.
fn print(browser: &Path, folder: &Path, net: Net) -> Result<Vec<u8>, String> {
    let made = folder.join("page.pdf");
    let mut command = match net {
        Net::None => {
            let mut command = Command::new("unshare");
            command.args(["--user", "--map-current-user", "--net", "--"]).arg(browser);
            command
        }
        Net::NoNames => Command::new(browser),
    };
    command.args(["--headless", "--disable-gpu", "--no-pdf-header-footer"]).args(QUIET);
    if is_root() {
        // Chromium refuses to run as root with its sandbox; the page is our own and has no script.
        command.arg("--no-sandbox");
    }
    command.arg(format!("--user-data-dir={}", folder.join("profile").display()));
    command.arg(format!("--print-to-pdf={}", made.display())).arg(folder.join("page.html"));
    let ran = command.stdin(Stdio::null()).stdout(Stdio::null()).stderr(Stdio::piped()).output();
    let output = ran.map_err(|error| error.to_string())?;
    let words = String::from_utf8_lossy(&output.stderr);
    let last = || words.lines().last().unwrap_or("it failed").to_string();
    if !output.status.success() {
        return Err(last());
    }
    files::read(&made, Links::Refuse, MAX_PDF).map_err(|_| last())
}

/// Largest PDF that a procedure becomes, bytes.
const MAX_PDF: u64 = 1 << 26;

fn on_the_path(name: &str) -> Option<PathBuf> {
    let path = std::env::var_os("PATH")?;
    std::env::split_paths(&path).map(|folder| folder.join(name)).find(|file| file.is_file())
}

fn is_root() -> bool {
    rustix::process::geteuid().is_root()
}
