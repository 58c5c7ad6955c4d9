//! A line on a network address: Modbus TCP, or serial frames in a stream as a gateway passes them on.

use std::io::{ErrorKind, Read, Write};
use std::net::{TcpListener, TcpStream};
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, AtomicUsize, Ordering};
use std::time::Duration;

use super::{Meters, Serving, Stage};
use crate::base::Failure;
use crate::profile::Door;
use crate::wire::mbap::{self, Parse};

/// How long to wait before looking whether to stop.
const NAP: Duration = Duration::from_millis(20);
/// Clients at a time; more are turned away, as small gateways do.
const MOST: usize = 8;
/// Exception of a gateway whose unit does not respond (MODBUS Application Protocol V1.1b3, section 7).
const NO_RESPONSE: u8 = 0x0B;

/// Listens and answers.
pub(super) fn serve(stage: &Stage, line: usize, address: &str, serial: bool) -> Result<Serving, Failure> {
    let refused = |error: std::io::Error| {
        let failure = Failure::usage(format!("{address} cannot be served: {error}"));
        match error.kind() {
            ErrorKind::PermissionDenied => failure.hint("ports below 1024 need rights: use 127.0.0.1:1502"),
            _ => failure.hint("name an address of this computer and a free port, such as 127.0.0.1:1502"),
        }
    };
    let listener = TcpListener::bind(address).map_err(refused)?;
    listener.set_nonblocking(true).map_err(refused)?;
    let bound = listener.local_addr().map_err(refused)?.to_string();
    let stop = Arc::new(AtomicBool::new(false));
    let (halt, stage) = (Arc::clone(&stop), stage.clone());
    let thread = std::thread::Builder::new()
        .name(format!("meter on {bound}"))
        .spawn(move || accept(&listener, &stage, line, serial, &halt))
        .map_err(|error| Failure::nothing(format!("no thread for the simulated line: {error}")))?;
    let door = if serial { Door::SerialOverTcp(bound) } else { Door::Tcp(bound) };
    Ok(Serving::new(door, stop, thread))
}

fn accept(listener: &TcpListener, stage: &Stage, line: usize, serial: bool, stop: &Arc<AtomicBool>) {
    let clients = Arc::new(AtomicUsize::new(0));
    let mut threads = Vec::new();
    while !stop.load(Ordering::Relaxed) {
        let Ok((stream, _)) = listener.accept() else {
            std::thread::sleep(NAP);
            continue;
        };
        if clients.load(Ordering::Relaxed) >= MOST || stream.set_read_timeout(Some(NAP)).is_err() {
            continue;
        }
        let _ = stream.set_nonblocking(false);
        let _ = stream.set_nodelay(true);
        clients.fetch_add(1, Ordering::Relaxed);
        let (stage, stop, count) = (stage.clone(), Arc::clone(stop), Arc::clone(&clients));
        threads.push(std::thread::spawn(move || {
            if serial {
                frames(stream, Meters::new(&stage, line), &stop);
            } else {
                messages(stream, &stage, line, &stop);
            }
            count.fetch_sub(1, Ordering::Relaxed);
        }));
        threads.retain(|thread| !thread.is_finished());
    }
    for thread in threads {
        let _ = thread.join();
    }
}

/// Reads what is there: nothing when nothing came in time, `None` when the client has gone.
fn read(stream: &mut TcpStream, buffer: &mut [u8]) -> Option<usize> {
    match stream.read(buffer) {
        Ok(0) => None,
        Ok(count) => Some(count),
        Err(error) if matches!(error.kind(), ErrorKind::WouldBlock | ErrorKind::TimedOut) => Some(0),
        Err(error) if error.kind() == ErrorKind::Interrupted => Some(0),
        Err(_) => None,
    }
}

/// Modbus TCP: messages in, messages out; what is no message ends the connection.
fn messages(mut stream: TcpStream, stage: &Stage, line: usize, stop: &AtomicBool) {
    let mut held: Vec<u8> = Vec::new();
    let mut buffer = [0_u8; 1024];
    while !stop.load(Ordering::Relaxed) {
        let Some(count) = read(&mut stream, &mut buffer) else { return };
        held.extend(&buffer[..count]);
        loop {
            match mbap::parse(&held) {
                Parse::Wrong => return,
                Parse::Message(length) if held.len() >= length => {
                    let message: Vec<u8> = held.drain(..length).collect();
                    let transaction = u16::from_be_bytes([message[0], message[1]]);
                    let (unit, pdu) = (message[6], &message[mbap::HEADER..]);
                    let (answer, turnaround) =
                        stage.with(|world| (world.answer(line, unit, pdu), world.turnaround(line, unit)));
                    let known = stage.with(|world| world.has_unit(line, unit));
                    let function = pdu.first().copied().unwrap_or(0);
                    // a meter that is switched off leaves its client waiting; one that was never there is the gateway's to tell
                    let answer = answer.or_else(|| (!known).then(|| vec![function | 0x80, NO_RESPONSE]));
                    let Some(answer) = answer else { continue };
                    stage.clock.sleep_until(stage.clock.now() + turnaround);
                    if stream.write_all(&mbap::encode(transaction, unit, &answer)).is_err() {
                        return;
                    }
                }
                Parse::Message(_) | Parse::Short => break,
            }
        }
    }
}

/// Serial frames in a stream.
fn frames(mut stream: TcpStream, mut meters: Meters, stop: &AtomicBool) {
    let mut buffer = [0_u8; 1024];
    while !stop.load(Ordering::Relaxed) {
        let Some(count) = read(&mut stream, &mut buffer) else { return };
        let mut arrivals = meters.second_master();
        if count > 0 {
            arrivals.extend(meters.hear(&buffer[..count]));
        }
        for arrival in arrivals {
            meters.stage.clock.sleep_until(arrival.at);
            if stream.write_all(&arrival.bytes).is_err() {
                return;
            }
        }
    }
}
