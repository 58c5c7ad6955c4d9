//! What was asked, read within limits: one small request a connection, then it closes. No chunks, no pipelining, no
//! keeping alive, so that nothing is left of a connection that the next one could be taken for.

use tokio::io::{AsyncRead, AsyncReadExt};

use super::door::Limits;

/// Header fields read at most. Browsers send some fifteen.
const FIELDS: usize = 48;

/// A request that was read whole.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(super) struct Request {
    pub(super) method: Method,
    pub(super) path: String,
    pub(super) body: Vec<u8>,
}

/// The two methods there are.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Method {
    /// Look.
    Get,
    /// Press.
    Post,
    /// Anything else.
    Other,
}

/// Why there is none.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Unread {
    /// It ended before it was whole.
    Gone,
    /// It is no HTTP/1.
    Malformed,
    /// Request line and headers are longer than allowed.
    LongHead,
    /// The body is longer than allowed, or does not say how long it is.
    LongBody,
}

/// What the head says.
#[derive(Debug)]
struct Head {
    method: Method,
    path: String,
    length: usize,
    body_at: usize,
}

/// Reads one request.
pub(super) async fn read(stream: &mut (impl AsyncRead + Unpin), limits: Limits) -> Result<Request, Unread> {
    let mut held: Vec<u8> = Vec::with_capacity(1024);
    let mut piece = [0_u8; 1024];
    let head = loop {
        if let Some(head) = head(&held, limits)? {
            break head;
        }
        if held.len() >= limits.head {
            return Err(Unread::LongHead);
        }
        let room = (limits.head - held.len()).min(piece.len());
        match stream.read(&mut piece[..room]).await {
            Ok(0) | Err(_) => return Err(Unread::Gone),
            Ok(count) => held.extend_from_slice(&piece[..count]),
        }
    };
    let mut body = held.split_off(head.body_at);
    while body.len() < head.length {
        let room = (head.length - body.len()).min(piece.len());
        match stream.read(&mut piece[..room]).await {
            Ok(0) | Err(_) => return Err(Unread::Gone),
            Ok(count) => body.extend_from_slice(&piece[..count]),
        }
    }
    body.truncate(head.length);
    Ok(Request { method: head.method, path: head.path, body })
}

/// The head, once it is whole.
fn head(held: &[u8], limits: Limits) -> Result<Option<Head>, Unread> {
    let mut fields = [httparse::EMPTY_HEADER; FIELDS];
    let mut parsed = httparse::Request::new(&mut fields);
    let body_at = match parsed.parse(held) {
        Ok(httparse::Status::Partial) => return Ok(None),
        Ok(httparse::Status::Complete(length)) => length,
        Err(httparse::Error::TooManyHeaders) => return Err(Unread::LongHead),
        Err(_) => return Err(Unread::Malformed),
    };
    let mut length = None;
    for field in &*parsed.headers {
        if field.name.eq_ignore_ascii_case("transfer-encoding") {
            return Err(Unread::LongBody);
        }
        if field.name.eq_ignore_ascii_case("content-length") {
            let digits = !field.value.is_empty() && field.value.iter().all(u8::is_ascii_digit);
            let said = std::str::from_utf8(field.value).ok().filter(|_| digits).ok_or(Unread::Malformed)?;
            // Twice is once too often, whatever they say (RFC 9112, section 6.3).
            if length.replace(said.parse().unwrap_or(usize::MAX)).is_some() {
                return Err(Unread::Malformed);
            }
        }
    }
    let length = length.unwrap_or(0);
    if length > limits.body {
        return Err(Unread::LongBody);
    }
    let method = match parsed.method {
        Some("GET") => Method::Get,
        Some("POST") => Method::Post,
        _ => Method::Other,
    };
    Ok(Some(Head { method, path: parsed.path.unwrap_or_default().to_owned(), length, body_at }))
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    fn read_all(bytes: &[u8]) -> Result<Request, Unread> {
        let runtime = tokio::runtime::Builder::new_current_thread().build().expect("a runtime");
        runtime.block_on(read(&mut &*bytes, Limits::default()))
    }

    #[test]
    fn a_request_is_read_whole_or_not_at_all() {
        let get = read_all(b"GET /a HTTP/1.1\r\nHost: x\r\n\r\n").expect("whole");
        assert_eq!((get.method, get.path.as_str(), get.body.len()), (Method::Get, "/a", 0));
        let post = b"POST /b HTTP/1.1\r\nContent-Length: 3\r\n\r\nabcGET / HTTP/1.1\r\n\r\n";
        assert_eq!(read_all(post).expect("whole").body, b"abc");
        for end in 0..post.len() - b"GET / HTTP/1.1\r\n\r\n".len() {
            assert_eq!(read_all(&post[..end]), Err(Unread::Gone), "{end}");
        }
        assert_eq!(read_all(b"PUT /a HTTP/1.1\r\n\r\n").expect("whole").method, Method::Other);
    }

    /// The ways to make two readers disagree about where a request ends (RFC 9112, sections 6 and 11.2).
    #[test]
    fn a_length_that_can_be_read_two_ways_is_refused() {
        let with = |fields: &str| read_all(format!("POST / HTTP/1.1\r\n{fields}\r\n\r\nabc").as_bytes());
        for fields in [
            "Content-Length: 3\r\nContent-Length: 3",
            "Content-Length: +3",
            "Content-Length: 3, 3",
            "Content-Length: -1",
            "Content-Length:",
            "Content-Length : 3",
        ] {
            assert_eq!(with(fields), Err(Unread::Malformed), "{fields}");
        }
        assert_eq!(with("Transfer-Encoding: chunked"), Err(Unread::LongBody));
        assert_eq!(with("Content-Length: 99999999999999999999999"), Err(Unread::LongBody));
    }

    #[test]
    fn more_than_is_allowed_is_not_read() {
        let long = format!("GET / HTTP/1.1\r\nX: {}\r\n\r\n", "a".repeat(1 << 20));
        assert_eq!(read_all(long.as_bytes()), Err(Unread::LongHead));
        let line = format!("GET /{} HTTP/1.1\r\n\r\n", "a".repeat(1 << 20));
        assert_eq!(read_all(line.as_bytes()), Err(Unread::LongHead));
        let many = format!("GET / HTTP/1.1\r\n{}\r\n", "a: b\r\n".repeat(FIELDS + 1));
        assert_eq!(read_all(many.as_bytes()), Err(Unread::LongHead));
        let body = format!("POST / HTTP/1.1\r\nContent-Length: {}\r\n\r\n", Limits::default().body + 1);
        assert_eq!(read_all(body.as_bytes()), Err(Unread::LongBody));
    }

    proptest! {
        #[test]
        fn whatever_is_sent_is_read_within_limits(bytes in prop::collection::vec(any::<u8>(), 0..9000)) {
            if let Ok(request) = read_all(&bytes) {
                let limits = Limits::default();
                prop_assert!(request.path.len() <= limits.head && request.body.len() <= limits.body);
            }
        }
    }
}
