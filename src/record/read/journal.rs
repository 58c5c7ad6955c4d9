//! Journal entries to marks: the Journal Export Format of systemd, `KEY=VALUE` lines or `KEY`, a 64-bit length and that
//! many bytes; an empty line ends an entry.

use crate::base::Stamp;
use crate::record::mark::{Mark, MarkKind};

/// Calls `tell` with each mark among the entries; entries of other programs are passed over. `last` is the time of what
/// stands before, for an entry that tells none.
pub(super) fn marks(body: &[u8], big_endian: bool, last: Stamp, mut tell: impl FnMut(Mark)) {
    let mut entry = Draft::default();
    let mut rest = body;
    while !rest.is_empty() {
        let end = rest.iter().position(|&byte| byte == b'\n').unwrap_or(rest.len());
        let line = &rest[..end];
        rest = rest.get(end + 1..).unwrap_or(&[]);
        if line.iter().all(|&byte| byte == 0) {
            std::mem::take(&mut entry).finish(last, &mut tell);
        } else if let Some(equals) = line.iter().position(|&byte| byte == b'=') {
            entry.field(&line[..equals], &line[equals + 1..]);
        } else {
            // binary: none of ours
            let Some((length, tail)) = rest.split_first_chunk::<8>() else { break };
            let length = if big_endian { u64::from_be_bytes(*length) } else { u64::from_le_bytes(*length) };
            let after = usize::try_from(length).ok().and_then(|length| length.checked_add(1));
            let Some(tail) = after.and_then(|after| tail.get(after..)) else { break };
            rest = tail;
        }
    }
    entry.finish(last, &mut tell);
}

/// A mark as far as its fields have been read.
#[derive(Default)]
struct Draft {
    at: Option<Stamp>,
    kind: Option<MarkKind>,
    fields: Vec<(Vec<u8>, String)>,
}

impl Draft {
    fn field(&mut self, key: &[u8], value: &[u8]) {
        let value = String::from_utf8_lossy(value).into_owned();
        match key {
            b"__REALTIME_TIMESTAMP" => self.at = value.trim().parse().ok().map(Stamp::from_micros),
            b"WATTWARD_MARK" => self.kind = MarkKind::parse(value.trim()),
            _ => self.fields.push((key.to_vec(), value)),
        }
    }

    fn finish(self, last: Stamp, tell: &mut impl FnMut(Mark)) {
        let Some(kind) = self.kind else { return };
        let mut mark = Mark::new(self.at.unwrap_or(last), kind, "");
        for (key, value) in self.fields {
            let field = match key.as_slice() {
                b"MESSAGE" => {
                    mark.message = value;
                    continue;
                }
                b"WATTWARD_LINE" => &mut mark.line,
                b"WATTWARD_PLANT" => &mut mark.plant,
                b"WATTWARD_SYSTEM_TIME" => &mut mark.system_time,
                b"WATTWARD_QUANTITY" => &mut mark.quantity,
                b"WATTWARD_VALUE" => &mut mark.value,
                b"WATTWARD_PHASE" => &mut mark.phase,
                b"WATTWARD_LOAD" => &mut mark.load,
                b"WATTWARD_LOAD_W" => &mut mark.load_w,
                b"WATTWARD_METER" => &mut mark.meter,
                b"WATTWARD_TEXT" => {
                    // a JSON string; a writer that forgot to make it one is taken at its word
                    mark.text = Some(serde_json::from_str(&value).unwrap_or(value));
                    continue;
                }
                _ => continue,
            };
            *field = Some(value);
        }
        tell(mark);
    }
}
