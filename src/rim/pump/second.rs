//! A second opinion on every RTU answer: tokio-modbus asks the same question over an in-memory stream and decodes the
//! answer again. What it returns becomes no reading; it is compared with ours, and a difference is told. It never touches
//! the port, and its context is dropped at any trouble, since an error or a late answer would shift all its later ones.

use std::pin::Pin;

use tokio::io::{AsyncReadExt, AsyncWriteExt, DuplexStream};
use tokio_modbus::client::Context;
use tokio_modbus::prelude::{Client, ReadCode, Request as TheirRequest, Response, Slave, SlaveContext};

use crate::link::{Echo, Question};
use crate::record::Frame;

type Call = Pin<Box<dyn Future<Output = (Context, tokio_modbus::Result<Response>)>>>;

/// The second decoder of one line.
#[derive(Default)]
pub(super) struct Second {
    near: Option<DuplexStream>,
    context: Option<Context>,
    call: Option<Call>,
    echo: Echo,
    /// The question of the call, and the bytes handed on since.
    asked: Option<(Question, usize)>,
    heard: Vec<u8>,
}

impl Second {
    /// Puts a question to tokio-modbus and gives the bytes it would send; `None` when it has no word for the question.
    pub(super) async fn ask(&mut self, question: Question, length: usize) -> Option<Vec<u8>> {
        let request = theirs(question)?;
        if self.call.is_some() {
            self.drop_context();
        }
        let mut context = self.context.take().unwrap_or_else(|| {
            let (near, far) = tokio::io::duplex(4096);
            self.near = Some(near);
            tokio_modbus::client::rtu::attach(far)
        });
        context.set_slave(Slave(question.unit));
        let mut call: Call = Box::pin(async move {
            let result = context.call(request).await;
            (context, result)
        });
        let near = self.near.as_mut()?;
        let mut bytes = vec![0; length];
        // Everything happens in memory: this ends without waiting for anything outside.
        let sent = tokio::select! {
            biased;
            _ = &mut call => None,
            read = near.read_exact(&mut bytes) => read.ok(),
        };
        if sent.is_none() {
            self.drop_context();
            return None;
        }
        self.echo.sent(&bytes);
        self.call = Some(call);
        self.asked = Some((question, length));
        self.heard.clear();
        Some(bytes)
    }

    /// Hands on bytes heard after the question; the echo of an adapter is kept back.
    pub(super) async fn hear(&mut self, bytes: &[u8]) {
        if self.call.is_none() {
            return;
        }
        let bytes = self.echo.strip(bytes);
        let Some(near) = self.near.as_mut() else { return };
        // A stream that is full or gone is trouble, and never waited for.
        let taken = tokio::select! {
            biased;
            written = near.write_all(&bytes) => written.is_ok(),
            () = std::future::ready(()) => false,
        };
        if taken {
            self.heard.extend_from_slice(&bytes);
        } else {
            self.drop_context();
        }
    }

    /// Our own decoder found this answer to the question: whether the second one says the same, or what else; `None`
    /// when it has no opinion.
    pub(super) async fn compare(&mut self, frame: &Frame) -> Option<Result<(), String>> {
        let behind = self.heard.windows(frame.bytes.len()).skip(1).any(|bytes| bytes == frame.bytes);
        let asked = self.asked.take();
        let opinion = self.opinion(frame).await;
        match (asked, &opinion) {
            // It takes the first frame it hears, also the late answer to an earlier question: then it is asked about
            // the answer alone.
            (Some((question, length)), Some(Err(_))) if behind => {
                self.drop_context();
                self.ask(question, length).await?;
                self.hear(&frame.bytes).await;
                self.opinion(frame).await
            }
            _ => opinion,
        }
    }

    /// What the call has come to, beside this frame.
    async fn opinion(&mut self, frame: &Frame) -> Option<Result<(), String>> {
        let mut call = self.call.take()?;
        let done = tokio::select! {
            biased;
            done = &mut call => Some(done),
            () = std::future::ready(()) => None,
        };
        // It may still be looking for a frame behind noise: then it has no opinion.
        let Some((context, result)) = done else {
            self.drop_context();
            return None;
        };
        let opinion = compare(frame, result);
        if opinion.is_some() {
            self.context = Some(context);
        } else {
            self.drop_context();
        }
        opinion
    }

    /// Forgets the conversation.
    pub(super) fn drop_context(&mut self) {
        self.call = None;
        self.context = None;
        self.near = None;
        self.asked = None;
        self.heard.clear();
    }
}

fn theirs(question: Question) -> Option<TheirRequest<'static>> {
    let request = question.request;
    Some(match (request.function(), request.address(), request.count()) {
        (3, Some(address), Some(count)) => TheirRequest::ReadHoldingRegisters(address, count),
        (4, Some(address), Some(count)) => TheirRequest::ReadInputRegisters(address, count),
        _ => match request.encode()[..] {
            [43, 14, code, object] => {
                TheirRequest::ReadDeviceIdentification(ReadCode::try_from_value(code)?, object)
            }
            _ => return None,
        },
    })
}

/// What the second decoder says to this frame.
fn compare(frame: &Frame, result: tokio_modbus::Result<Response>) -> Option<Result<(), String>> {
    let pdu = frame.pdu();
    let told = match result {
        Ok(Ok(Response::ReadHoldingRegisters(words))) => registers(3, &words),
        Ok(Ok(Response::ReadInputRegisters(words))) => registers(4, &words),
        // Its objects are checked by their own count and lengths.
        Ok(Ok(Response::ReadDeviceIdentification(_))) if pdu.first() == Some(&43) => pdu.to_vec(),
        Ok(Ok(other)) => {
            return Some(Err(format!("the second decoder read {other:?} from {:02x?}", frame.bytes)));
        }
        Ok(Err(exception)) => vec![pdu.first()? | 0x80, u8::from(exception)],
        // Noise before the answer, or a foreign frame: it gives up where our framer goes on.
        Err(_) => return None,
    };
    let difference = || format!("the second decoder read {told:02x?} from {:02x?}", frame.bytes);
    Some(if told == pdu { Ok(()) } else { Err(difference()) })
}

/// The answer that carries these registers.
fn registers(function: u8, words: &[u16]) -> Vec<u8> {
    let mut pdu = vec![function, (2 * words.len()) as u8];
    pdu.extend(words.iter().flat_map(|word| word.to_be_bytes()));
    pdu
}

#[cfg(test)]
mod tests;
