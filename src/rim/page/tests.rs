//! The page's server from outside, over real connections on loopback.

use std::io::{Read, Write};
use std::net::TcpStream;
use std::time::Duration;

use super::*;

/// The server with something offered.
fn served(limits: Limits) -> Served {
    let served = Served::start("127.0.0.1:0".parse().expect("an address"), limits).expect("served");
    served.show(r#"{"asked":"kettle"}"#.into(), &[(3, "on".into())]);
    served
}

/// Plenty, for tests that are about something else.
fn plenty() -> Limits {
    Limits { rate: 10_000.0, burst: 10_000.0, ..Limits::default() }
}

fn connect(served: &Served) -> TcpStream {
    let host =
        served.address().strip_prefix("http://").and_then(|rest| rest.split('/').next()).expect("a host");
    let stream = TcpStream::connect(host).expect("connected");
    stream.set_read_timeout(Some(Duration::from_secs(10))).expect("a time-out");
    stream
}

fn path(served: &Served, end: &str) -> String {
    format!("/{}/{end}", served.shared.token.text())
}

/// Sends these bytes and reads to the end; empty when the connection was closed without a word.
fn send(served: &Served, bytes: &[u8]) -> String {
    let mut stream = connect(served);
    let _ = stream.write_all(bytes);
    let mut all = Vec::new();
    let _ = stream.read_to_end(&mut all);
    String::from_utf8(all).expect("text")
}

fn ask(served: &Served, method: &str, path: &str, body: &str) -> String {
    send(
        served,
        format!("{method} {path} HTTP/1.1\r\nHost: x\r\nContent-Length: {}\r\n\r\n{body}", body.len())
            .as_bytes(),
    )
}

fn status(answer: &str) -> &str {
    answer.split(' ').nth(1).unwrap_or_default()
}

fn pressed(served: &Served, id: &str, ask_number: u64, key: &str, age_ms: u64) -> String {
    let body = format!(r#"{{"id":"{id}","ask":{ask_number},"key":"{key}","age_ms":{age_ms}}}"#);
    ask(served, "POST", &path(served, "press"), &body)
}

#[test]
fn the_page_comes_with_the_fields_that_keep_it_to_itself() {
    let served = served(plenty());
    for (end, kind, holds) in [
        ("", "text/html", "<!DOCTYPE html>"),
        ("page.css", "text/css", "color-scheme"),
        ("page.js", "text/javascript", "use strict"),
        ("state", "application/json", r#""page":{"asked":"kettle"}"#),
    ] {
        let answer = ask(&served, "GET", &path(&served, end), "");
        assert!(answer.starts_with("HTTP/1.1 200 OK\r\n"), "{answer}");
        let (head, body) = answer.split_once("\r\n\r\n").expect("a head");
        assert!(body.contains(holds), "{end}: {body}");
        assert!(head.contains(&format!("Content-Length: {}\r\n", body.len())), "{head}");
        for field in [
            &format!("Content-Type: {kind}; charset=utf-8") as &str,
            "Cache-Control: no-store",
            "X-Content-Type-Options: nosniff",
            "Referrer-Policy: no-referrer",
            "default-src 'none'; script-src 'self'; style-src 'self'; connect-src 'self'",
            "frame-ancestors 'none'",
        ] {
            assert!(head.contains(field), "{end} lacks {field}: {head}");
        }
    }
    assert!(served.looked_at());
}

#[test]
fn without_the_token_there_is_nothing() {
    let served = served(plenty());
    let token = served.shared.token.text();
    let right = ask(&served, "GET", "/", "");
    for wrong in [
        "/".to_owned(),
        "/favicon.ico".to_owned(),
        "/robots.txt".to_owned(),
        "/state".to_owned(),
        format!("/{}/", "a".repeat(26)),
        format!("/{}/", &token[..25]),
        format!("/{token}a/"),
        format!("/{}/", token.to_uppercase()),
        format!("//{token}/"),
        format!("/a/{token}/"),
        format!("/a/../{token}/"),
        format!("http://x/{token}/"),
    ] {
        let answer = ask(&served, "GET", &wrong, "");
        assert_eq!(status(&answer), "404", "{wrong}");
        assert_eq!(answer, right, "{wrong}: one 404 tells no more than another");
    }
    let body = r#"{"id":"aaaaaaaaaaaaaaaa","ask":3,"key":"on","age_ms":0}"#;
    assert_eq!(status(&ask(&served, "POST", "/press", body)), "404");
    assert_eq!(served.press(), None);
    assert!(!served.looked_at());
}

#[test]
fn nothing_but_presses_can_be_done() {
    let served = served(plenty());
    let body = r#"{"id":"aaaaaaaaaaaaaaaa","ask":3,"key":"on","age_ms":0}"#;
    for method in ["HEAD", "PUT", "DELETE", "OPTIONS", "PATCH", "TRACE", "CONNECT", "get", "post", "FOO"] {
        for end in ["", "page.css", "page.js", "state", "press"] {
            assert_eq!(status(&ask(&served, method, &path(&served, end), body)), "404", "{method} {end}");
        }
    }
    for end in
        ["", "page.css", "page.js", "state", "press/", "press/1", "press?x", "mark", "stop", "../press"]
    {
        assert_eq!(status(&ask(&served, "POST", &path(&served, end), body)), "404", "POST {end}");
    }
    for end in ["press", "page.html", "page.js/", "../../etc/passwd", "%2e%2e/state", "state?x=1", "State"] {
        assert_eq!(status(&ask(&served, "GET", &path(&served, end), "")), "404", "GET {end}");
    }
    for body in [
        "",
        "on",
        "[]",
        "{}",
        r#"{"id":"short","ask":3,"key":"on","age_ms":0}"#,
        r#"{"id":"aaaaaaaaaaaaaaaa","ask":3,"key":"on"}"#,
        r#"{"id":"aaaaaaaaaaaaaaaa","ask":3,"key":"on","age_ms":-1}"#,
        r#"{"id":"aaaaaaaa\u0000aaaaaaa","ask":3,"key":"on","age_ms":0}"#,
        r#"{"id":"aaaaaaaaaaaaaaaa","ask":3,"key":"on","age_ms":0,"at":"2026-01-01"}"#,
    ] {
        assert_eq!(status(&ask(&served, "POST", &path(&served, "press"), body)), "400", "{body}");
    }
    assert_eq!(served.press(), None);
}

#[test]
fn a_press_sent_three_times_is_one() {
    let served = served(plenty());
    std::thread::scope(|scope| {
        let sent: Vec<_> =
            (0..3).map(|_| scope.spawn(|| pressed(&served, "0123456789abcdef", 3, "on", 5))).collect();
        let mut taken = Vec::new();
        while taken.is_empty() {
            taken.extend(served.press());
        }
        std::thread::sleep(Duration::from_millis(200));
        taken.extend(served.press());
        assert_eq!(taken.len(), 1);
        assert_eq!((taken[0].ask, taken[0].key.as_str()), (3, "on"));
        assert!(taken[0].age(served.now()) >= Span::from_millis(190));
        served.marked(&taken[0], "at noon");
        for answer in sent {
            let answer = answer.join().expect("answered");
            assert!(answer.ends_with(r#"{"came":"marked","words":"at noon"}"#), "{answer}");
        }
    });
    let again = pressed(&served, "0123456789abcdef", 3, "on", 2000);
    assert!(again.ends_with(r#"{"came":"marked","words":"at noon"}"#), "{again}");
    let other = pressed(&served, "fedcba9876543210", 3, "on", 0);
    assert!(other.contains(r#""came":"not""#), "{other}");
    assert_eq!(served.press(), None);
}

#[test]
fn a_press_nobody_has_dealt_with_yet_is_said_to_wait() {
    let served = served(plenty());
    let answer = pressed(&served, "0123456789abcdef", 3, "on", 0);
    assert!(answer.ends_with(r#"{"came":"waiting","words":""}"#), "{answer}");
    let press = served.press().expect("taken");
    served.passed_over(&press, "answered at the laptop");
    let answer = pressed(&served, "0123456789abcdef", 3, "on", 1500);
    assert!(answer.ends_with(r#"{"came":"not","words":"answered at the laptop"}"#), "{answer}");
}

#[test]
fn what_is_too_large_is_refused() {
    let served = served(plenty());
    let get = path(&served, "state");
    let head = format!("GET {get} HTTP/1.1\r\nX: {}\r\n\r\n", "a".repeat(1 << 20));
    // The rest is not waited for: the refusal may be lost with the connection, the server is not.
    assert!(matches!(status(&send(&served, head.as_bytes())), "431" | ""));
    let head = format!("GET {get} HTTP/1.1\r\nX: {}\r\n\r\n", "a".repeat(5000));
    assert_eq!(status(&send(&served, head.as_bytes())), "431");
    let line = format!("GET {get}{} HTTP/1.1\r\n\r\n", "a".repeat(5000));
    assert_eq!(status(&send(&served, line.as_bytes())), "431");
    let body = format!(r#"{{"id":"{}"}}"#, "a".repeat(600));
    assert_eq!(status(&ask(&served, "POST", &path(&served, "press"), &body)), "413");
    let chunked =
        format!("POST {} HTTP/1.1\r\nTransfer-Encoding: chunked\r\n\r\n0\r\n\r\n", path(&served, "press"));
    assert_eq!(status(&send(&served, chunked.as_bytes())), "413");
    assert_eq!(status(&send(&served, b"\x16\x03\x01\x02\x00\x01\x00\x01\xfc\x03\x03")), "400");
    assert_eq!(status(&ask(&served, "GET", &get, "")), "200");
}

/// `common practice`: headers sent a byte at a time hold a server's connections for ever, where it waits for them.
#[test]
fn whoever_sends_slowly_is_let_go() {
    let served = served(Limits { patience: Duration::from_millis(400), ..plenty() });
    let mut slow: Vec<TcpStream> = (0..8).map(|_| connect(&served)).collect();
    for stream in &mut slow {
        stream.write_all(b"GET / HTTP/1.1\r\n").expect("sent");
    }
    // All that one address may hold are held.
    std::thread::sleep(Duration::from_millis(100));
    assert_eq!(ask(&served, "GET", &path(&served, "state"), ""), "");
    for _ in 0..6 {
        std::thread::sleep(Duration::from_millis(100));
        for stream in &mut slow {
            let _ = stream.write_all(b"a");
        }
    }
    assert_eq!(status(&ask(&served, "GET", &path(&served, "state"), "")), "200");
    for stream in &mut slow {
        let mut rest = Vec::new();
        let _ = stream.read_to_end(&mut rest);
        assert_eq!(rest, b"");
    }
}

#[test]
fn no_more_are_let_in_than_allowed() {
    let served = served(Limits { by_address: 100, connections: 5, ..plenty() });
    let held: Vec<TcpStream> = (0..5).map(|_| connect(&served)).collect();
    std::thread::sleep(Duration::from_millis(100));
    assert_eq!(ask(&served, "GET", &path(&served, "state"), ""), "");
    drop(held);
    std::thread::sleep(Duration::from_millis(500));
    assert_eq!(status(&ask(&served, "GET", &path(&served, "state"), "")), "200");
}

#[test]
fn nobody_comes_more_often_than_allowed() {
    let served = served(Limits { rate: 5.0, burst: 10.0, ..Limits::default() });
    let answers = (0..40).map(|_| ask(&served, "GET", "/", "")).filter(|answer| !answer.is_empty()).count();
    assert!((10..=15).contains(&answers), "{answers}");
    std::thread::sleep(Duration::from_secs(1));
    assert_eq!(status(&ask(&served, "GET", &path(&served, "state"), "")), "200");
}

#[test]
fn it_ends_with_its_owner_and_frees_its_address() {
    let first = served(plenty());
    let _idle = connect(&first);
    let host = first.address().split('/').nth(2).expect("a host").parse().expect("an address");
    drop(first);
    assert!(Served::start(host, plenty()).is_ok());
}
