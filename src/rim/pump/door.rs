//! The open line itself, whatever it is: a serial port or a TCP connection.

use std::io;

use tokio::io::{AsyncReadExt, AsyncWriteExt};
use tokio::net::TcpStream;

use super::super::serial::marking::Run;
use super::super::serial::{SerialOptions, SerialPort};
use super::super::tcp;
use crate::base::{Failure, Span};
use crate::profile::Door;
use crate::record::Medium;

/// An open line.
#[derive(Debug)]
pub(super) enum OpenDoor {
    Serial(SerialPort),
    Tcp(TcpStream),
}

/// How frames are wrapped behind a door.
pub(in crate::rim) fn medium(door: &Door) -> Medium {
    match door {
        Door::Serial(_) | Door::SerialOverTcp(_) => Medium::Serial,
        Door::Tcp(_) => Medium::Tcp,
    }
}

impl OpenDoor {
    pub(super) async fn open(door: &Door, options: SerialOptions) -> Result<Self, Failure> {
        match door {
            Door::Serial(path) => SerialPort::open(path, options).map(Self::Serial),
            Door::Tcp(host) if host.contains(':') => tcp::connect(host).await.map(Self::Tcp),
            Door::Tcp(host) => tcp::connect(&format!("{host}:502")).await.map(Self::Tcp),
            Door::SerialOverTcp(host) => tcp::connect(host).await.map(Self::Tcp),
        }
    }

    /// Waits for at least one byte; dropping the future loses nothing. `Ok(0)`: the line is lost.
    pub(super) async fn read(&mut self, buffer: &mut [u8]) -> io::Result<usize> {
        match self {
            Self::Serial(port) => port.read(buffer).await,
            Self::Tcp(stream) => stream.read(buffer).await,
        }
    }

    pub(super) async fn write(&mut self, bytes: &[u8]) -> io::Result<()> {
        match self {
            Self::Serial(port) => port.write(bytes).await,
            Self::Tcp(stream) => stream.write_all(bytes).await,
        }
    }

    /// What was read, as bytes of the line.
    pub(super) fn unmark(&mut self, raw: &[u8]) -> Vec<Run> {
        match self {
            Self::Serial(port) => port.unmark(raw),
            Self::Tcp(_) => vec![(raw.to_vec(), None)],
        }
    }

    /// Whether bytes with bad parity or framing are told.
    pub(super) fn tells_errors(&self) -> bool {
        matches!(self, Self::Serial(port) if port.tells_errors())
    }

    /// How long the way may hold bytes back. A gateway's own buffering is not known; 20 ms is ours.
    pub(super) fn latency(&self) -> Span {
        match self {
            Self::Serial(port) => port.latency(),
            Self::Tcp(_) => Span::from_millis(20),
        }
    }
}
