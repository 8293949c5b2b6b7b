//! The browser that makes a PDF: it has nothing of the network.

use crate::common::can_trace;
use crate::common::{needed, text, write, SHORT};
use crate::names;
use std::process::Command;

fn isolation_is_allowed() -> bool {
    let tried = Command::new("unshare").args(["--user", "--map-current-user", "--net", "true"]).output();
    tried.is_ok_and(|ran| ran.status.success())
}

#[test]
fn a_pdf_is_made_without_looking_up_a_name_or_reaching_an_address() {
    needed("/usr/bin/chromium", "chromium");
    if !can_trace() {
        return;
    }
    let room = tempfile::tempdir().unwrap();
    let (pdf, trace) = (room.path().join("short.pdf"), room.path().join("trace"));
    let procedure = write(room.path(), "short.toml", SHORT);
    let scratch = room.path().join("tmp");
    std::fs::create_dir(&scratch).unwrap();
    let mut command = Command::new("strace");
    command.args(["-f", "-qq", "-e", "trace=connect,sendto,sendmsg,sendmmsg", "-o", text(&trace)]);
    command.args([env!("CARGO_BIN_EXE_antiphon"), "print", text(&procedure), "--pdf", text(&pdf)]);
    let ran = command.env("TMPDIR", &scratch).output().unwrap();
    assert!(ran.status.success(), "{}", String::from_utf8_lossy(&ran.stderr));
    assert!(std::fs::read(&pdf).unwrap().starts_with(b"%PDF"));
    assert!(names(&scratch).is_empty(), "left over: {:?}", names(&scratch));
    let trace = std::fs::read_to_string(&trace).unwrap();
    assert!(trace.contains("connect("), "nothing was traced");
    let outside: Vec<&str> = trace.lines().filter(|line| line.contains("AF_INET")).collect();
    // A name is looked up at port 53, or by the system's own service.
    let named =
        |line: &&&str| line.contains("htons(53)") || line.contains("nscd") || line.contains("resolve");
    assert!(trace.lines().filter(|line| named(&line)).count() == 0, "{outside:#?}");
    let sent: Vec<&&str> = outside.iter().filter(|line| line.contains("send")).collect();
    assert!(sent.is_empty(), "{sent:#?}");
    if isolation_is_allowed() {
        // What it tries all the same has nowhere to go. A call that another thread's breaks in two ends on a line of its own.
        let reached = |line: &&&str| !line.contains("= -1 ") && !line.contains("<unfinished");
        let reached: Vec<&&str> = outside.iter().filter(reached).collect();
        assert!(reached.is_empty(), "{reached:#?}");
        let resumed = trace.lines().filter(|line| line.contains("connect resumed") && line.ends_with("= 0"));
        assert_eq!(resumed.count(), 0, "{outside:#?}");
    } else {
        println!("this machine lets no user make a network of their own: only names were watched");
    }
}
