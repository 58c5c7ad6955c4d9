//! The options that name a line of which no profile is known.

use clap::Args;

use super::Terms;
use crate::base::{Failure, Span};
use crate::cli::args::span;
use crate::profile::{Door, Parity, SerialSettings};

/// Which line, for commands that need no profile.
#[derive(Args, Debug)]
pub(in crate::cli::profile) struct DoorArgs {
    /// The meter hangs on this serial port
    #[arg(long, value_name = "PORT", group = "line")]
    serial: Option<String>,
    /// The meter answers Modbus TCP here (port 502 when left out)
    #[arg(long, value_name = "HOST[:PORT]", group = "line")]
    tcp: Option<String>,
    /// The meter hangs behind a gateway that passes serial frames on over TCP
    #[arg(long, value_name = "HOST:PORT", group = "line")]
    serial_over_tcp: Option<String>,
    /// Bits a second
    #[arg(long, value_name = "N", default_value_t = 9600)]
    baud: u32,
    /// Parity
    #[arg(long, value_name = "none|even|odd", default_value = "none")]
    parity: String,
    /// Stop bits
    #[arg(long, value_name = "1|2", default_value_t = 1)]
    stop_bits: u8,
    /// Unit address [default: 1; with a capture the one that answered most]
    #[arg(long, value_name = "1..247")]
    pub(in crate::cli::profile) unit: Option<u8>,
    /// How long to listen for another master before the first request
    #[arg(long, value_name = "TIME", default_value = "5s", value_parser = span)]
    listen_first: Span,
    /// Ask although another master is on the line; this can blind it
    #[arg(long)]
    share_line: bool,
}

impl DoorArgs {
    /// Whether a line was named.
    pub(in crate::cli::profile) fn names_a_line(&self) -> bool {
        self.serial.is_some() || self.tcp.is_some() || self.serial_over_tcp.is_some()
    }

    /// The line that the options name.
    pub(in crate::cli::profile) fn terms(&self) -> Result<Terms, Failure> {
        let door = match (&self.serial, &self.tcp, &self.serial_over_tcp) {
            (Some(port), ..) => Door::Serial(port.clone()),
            (_, Some(host), _) if host.contains(':') => Door::Tcp(host.clone()),
            (_, Some(host), _) => Door::Tcp(format!("{host}:502")),
            (.., host) => Door::SerialOverTcp(host.clone().unwrap_or_default()),
        };
        let parities = [Parity::None, Parity::Even, Parity::Odd];
        let parity = parities.into_iter().find(|parity| parity.word() == self.parity);
        let parity = parity.ok_or_else(|| Failure::usage("parity is none, even or odd"))?;
        let settings = SerialSettings { baud: self.baud, parity, stop_bits: self.stop_bits };
        Ok(Terms {
            door,
            settings,
            unit: self.unit.unwrap_or(1),
            listen_first: self.listen_first,
            share_line: self.share_line,
        })
    }
}
