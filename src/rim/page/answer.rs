//! What is answered to what: four things to see, one to press, and 404 for the rest.

use super::Shared;
use super::desk::{Came, Sent};
use super::request::{Method, Request, Unread};

/// The page and what it needs, with nothing from elsewhere.
const PAGE: &str = include_str!("page.html");
const STYLE: &str = include_str!("page.css");
const SCRIPT: &str = include_str!("page.js");

/// Fields of every answer: only what is ours is loaded, no frame around it, no guess at types, no address told on, nothing
/// kept.
const FIELDS: &str = "Connection: close\r\n\
    Cache-Control: no-store\r\n\
    Content-Security-Policy: default-src 'none'; script-src 'self'; style-src 'self'; connect-src 'self'; img-src data:; \
    base-uri 'none'; form-action 'none'; frame-ancestors 'none'\r\n\
    Cross-Origin-Opener-Policy: same-origin\r\n\
    Cross-Origin-Resource-Policy: same-origin\r\n\
    Permissions-Policy: camera=(), geolocation=(), microphone=()\r\n\
    Referrer-Policy: no-referrer\r\n\
    X-Content-Type-Options: nosniff\r\n\
    X-Frame-Options: DENY\r\n";

/// What is to be done about a request.
#[derive(Debug)]
pub(super) enum Answer {
    /// These bytes.
    Bytes(Vec<u8>),
    /// What becomes of a press, once it is known.
    Press(Sent),
}

/// Finds the answer.
pub(super) fn answer(request: &Request, shared: &Shared) -> Answer {
    let mut parts = request.path.strip_prefix('/').unwrap_or_default().splitn(2, '/');
    let token = parts.next().unwrap_or_default();
    if !shared.token.is(token.as_bytes()) {
        return Answer::Bytes(not_found());
    }
    let text = |kind, text: &str| Answer::Bytes(whole("200 OK", kind, text));
    match (request.method, parts.next()) {
        (Method::Get, Some("")) => text("text/html", PAGE),
        (Method::Get, Some("page.css")) => text("text/css", STYLE),
        (Method::Get, Some("page.js")) => text("text/javascript", SCRIPT),
        (Method::Get, Some("state")) => {
            let now = shared.clock.now();
            text("application/json", &shared.desk(|desk| desk.document(now)))
        }
        (Method::Post, Some("press")) => match serde_json::from_slice::<Sent>(&request.body) {
            Ok(sent) if sent.well_formed() => Answer::Press(sent),
            _ => Answer::Bytes(whole("400 Bad Request", "text/plain", "no press\n")),
        },
        _ => Answer::Bytes(not_found()),
    }
}

/// What is said of a request that could not be read; nothing when nobody is there to hear it.
pub(super) fn refusal(why: Unread) -> Option<Vec<u8>> {
    let status = match why {
        Unread::Gone => return None,
        Unread::Malformed => "400 Bad Request",
        Unread::LongHead => "431 Request Header Fields Too Large",
        Unread::LongBody => "413 Content Too Large",
    };
    Some(whole(status, "text/plain", "refused\n"))
}

/// What became of a press, for the phone.
pub(super) fn outcome(came: &Came) -> Vec<u8> {
    let (came, words) = match came {
        Came::Waiting => ("waiting", ""),
        Came::Marked(words) => ("marked", words.as_str()),
        Came::Not(why) => ("not", why.as_str()),
    };
    let document = serde_json::json!({ "came": came, "words": words });
    whole("200 OK", "application/json", &document.to_string())
}

fn not_found() -> Vec<u8> {
    whole("404 Not Found", "text/plain", "nothing here\n")
}

fn whole(status: &str, kind: &str, body: &str) -> Vec<u8> {
    format!(
        "HTTP/1.1 {status}\r\nContent-Type: {kind}; charset=utf-8\r\nContent-Length: {}\r\n{FIELDS}\r\n{body}",
        body.len()
    )
    .into_bytes()
}
