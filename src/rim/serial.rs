//! Serial ports: opening with errors a person can act on, marking of bad bytes, direction of an RS485 driver, latency.
//!
//! To ask, tokio-serial opens the port, exclusively. To listen only, the port is opened for reading: the kernel then
//! refuses every write. What a driver cannot do (a pseudo-terminal has no modem lines, no counters, no low latency) is
//! passed over and told, never a reason not to open. All unsafe code of the crate is in this file.

use std::io;
use std::os::fd::{AsFd, AsRawFd, BorrowedFd, OwnedFd};
use std::path::{Path, PathBuf};

use rustix::fs::{FlockOperation, Mode, OFlags};
use rustix::io::Errno;
use rustix::termios::{ControlModes, InputModes, OptionalActions, Termios};
use tokio::io::unix::AsyncFd;
use tokio::io::{AsyncReadExt, AsyncWriteExt};
use tokio_serial::SerialStream;

use super::ports::Barrier;
use crate::base::{Failure, Span};
use crate::profile::{DriverDirection, Parity, SerialSettings};

pub mod marking;

use marking::{Run, Unmark};

/// What a USB adapter may hold bytes back when it does not say (common practice: 16 ms).
const USB_LATENCY: Span = Span::from_millis(16);

/// An open serial port.
#[derive(Debug)]
pub struct SerialPort {
    port: Port,
    unmark: Option<Unmark>,
    tells_errors: bool,
    latency: Span,
}

#[derive(Debug)]
enum Port {
    Ask(SerialStream),
    Listen(AsyncFd<OwnedFd>),
}

/// How to open a port.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct SerialOptions {
    /// Speed, parity, stop bits.
    pub settings: SerialSettings,
    /// Who switches an RS485 driver.
    pub direction: DriverDirection,
    /// Open so that nothing can be sent.
    pub listen_only: bool,
}

impl SerialPort {
    /// Opens a port by any path (`/dev/ttyUSB0`, a link under `/dev/serial/by-id`). Needs a tokio runtime.
    ///
    /// # Errors
    /// Not there, not permitted, in use, or refused by the driver, each with its mend.
    pub fn open(path: &str, options: SerialOptions) -> Result<Self, Failure> {
        let port =
            if options.listen_only { listen(path, options.settings)? } else { ask(path, options.settings)? };
        let descriptor = port.descriptor();
        let marked = mark_errors(descriptor);
        if options.direction == DriverDirection::Kernel && !options.listen_only {
            kernel::rs485(descriptor).map_err(|error| no_rs485(path, error))?;
        }
        // Best effort: only some drivers know it.
        let _ = kernel::low_latency(descriptor);
        let uart = kernel::modem_lines(descriptor).is_ok();
        Ok(Self {
            unmark: marked.then(|| Unmark::new(options.settings)),
            tells_errors: marked && uart,
            latency: latency(path, uart),
            port,
        })
    }

    /// Whether bytes with bad parity or framing are marked; a pseudo-terminal has none to mark.
    pub fn tells_errors(&self) -> bool {
        self.tells_errors
    }

    /// How long the adapter may hold bytes back.
    pub fn latency(&self) -> Span {
        self.latency
    }

    /// Reads what is there, waiting for at least one byte; dropping the future loses nothing. `Ok(0)` means the line is
    /// lost: an unplugged adapter reads as the end of a file, again and again.
    pub async fn read(&mut self, buffer: &mut [u8]) -> io::Result<usize> {
        match &mut self.port {
            Port::Ask(stream) => stream.read(buffer).await,
            Port::Listen(descriptor) => loop {
                let mut ready = descriptor.readable().await?;
                if let Ok(result) = ready
                    .try_io(|inner| rustix::io::read(inner.get_ref(), &mut *buffer).map_err(io::Error::from))
                {
                    return result;
                }
            },
        }
    }

    /// Hands bytes to the driver. They are not flushed: `tcdrain` blocks, and the end of the transmission is computed.
    pub async fn write(&mut self, bytes: &[u8]) -> io::Result<()> {
        match &mut self.port {
            Port::Ask(stream) => stream.write_all(bytes).await,
            Port::Listen(_) => Err(io::Error::new(io::ErrorKind::PermissionDenied, "opened to listen only")),
        }
    }

    /// What was read, as bytes of the line.
    pub fn unmark(&mut self, raw: &[u8]) -> Vec<Run> {
        match &mut self.unmark {
            Some(unmark) => unmark.undo(raw),
            None => vec![(raw.to_vec(), None)],
        }
    }
}

impl Port {
    fn descriptor(&self) -> BorrowedFd<'_> {
        match self {
            #[expect(unsafe_code, reason = "the stream gives only the number of its descriptor")]
            // SAFETY: the stream owns the descriptor and outlives the borrow, which is tied to `self`.
            Self::Ask(stream) => unsafe { BorrowedFd::borrow_raw(stream.as_raw_fd()) },
            Self::Listen(descriptor) => descriptor.get_ref().as_fd(),
        }
    }
}

fn ask(path: &str, settings: SerialSettings) -> Result<Port, Failure> {
    if rustix::process::geteuid().is_root() {
        // Root passes TIOCEXCL, and the library, failing on the lock after it, would take the exclusion off the holder.
        let descriptor = open_to_read(path)?;
        drop(lock(path, descriptor)?);
    }
    let builder = tokio_serial::new(path, settings.baud)
        .parity(match settings.parity {
            Parity::None => tokio_serial::Parity::None,
            Parity::Even => tokio_serial::Parity::Even,
            Parity::Odd => tokio_serial::Parity::Odd,
        })
        .stop_bits(if settings.stop_bits == 2 {
            tokio_serial::StopBits::Two
        } else {
            tokio_serial::StopBits::One
        })
        .data_bits(tokio_serial::DataBits::Eight)
        .flow_control(tokio_serial::FlowControl::None);
    SerialStream::open(&builder).map(Port::Ask).map_err(|error| match error.kind() {
        tokio_serial::ErrorKind::Io(kind) => refused(path, kind, &error.description),
        tokio_serial::ErrorKind::NoDevice => in_use(path),
        _ => refused(path, io::ErrorKind::Other, &error.description),
    })
}

fn listen(path: &str, settings: SerialSettings) -> Result<Port, Failure> {
    let descriptor = lock(path, open_to_read(path)?)?;
    let failed =
        |error: Errno| refused(path, io::Error::from(error).kind(), &io::Error::from(error).to_string());
    rustix::termios::ioctl_tiocexcl(&descriptor).map_err(failed)?;
    let mut termios = rustix::termios::tcgetattr(&descriptor).map_err(failed)?;
    set_line(&mut termios, settings).map_err(failed)?;
    rustix::termios::tcsetattr(&descriptor, OptionalActions::Now, &termios).map_err(failed)?;
    // Opening raised the modem lines, and some adapters drive the bus by RTS.
    let _ = kernel::drop_modem_lines(descriptor.as_fd());
    watch(descriptor).map(Port::Listen).map_err(|error| refused(path, error.kind(), &error.to_string()))
}

/// Has tokio wait for a descriptor to become readable.
#[expect(unsafe_code, reason = "tokio cannot know that the descriptor stays the same")]
pub fn watch(descriptor: OwnedFd) -> io::Result<AsyncFd<OwnedFd>> {
    // SAFETY: an OwnedFd owns its descriptor, always gives the same number, and is closed only when dropped.
    unsafe { AsyncFd::register_with_interest(descriptor, tokio::io::Interest::READABLE) }
        .map_err(io::Error::from)
}

fn set_line(termios: &mut Termios, settings: SerialSettings) -> Result<(), Errno> {
    termios.make_raw();
    termios.set_speed(settings.baud)?;
    let modes = &mut termios.control_modes;
    modes.remove(ControlModes::CSIZE | ControlModes::PARENB | ControlModes::PARODD | ControlModes::CSTOPB);
    modes.remove(ControlModes::CRTSCTS | ControlModes::HUPCL);
    modes.insert(ControlModes::CS8 | ControlModes::CREAD | ControlModes::CLOCAL);
    modes.set(ControlModes::PARENB, settings.parity != Parity::None);
    modes.set(ControlModes::PARODD, settings.parity == Parity::Odd);
    modes.set(ControlModes::CSTOPB, settings.stop_bits == 2);
    Ok(())
}

/// Has the driver mark bytes with bad parity or framing, and breaks; whether it took it.
fn mark_errors(descriptor: BorrowedFd<'_>) -> bool {
    let wanted = InputModes::INPCK | InputModes::PARMRK;
    let Ok(mut termios) = rustix::termios::tcgetattr(descriptor) else { return false };
    termios
        .input_modes
        .remove(InputModes::IGNPAR | InputModes::IGNBRK | InputModes::BRKINT | InputModes::ISTRIP);
    termios.input_modes.insert(wanted);
    rustix::termios::tcsetattr(descriptor, OptionalActions::Now, &termios).is_ok()
        && rustix::termios::tcgetattr(descriptor).is_ok_and(|now| now.input_modes.contains(wanted))
}

fn open_to_read(path: &str) -> Result<OwnedFd, Failure> {
    let flags = OFlags::RDONLY | OFlags::NOCTTY | OFlags::NONBLOCK | OFlags::CLOEXEC;
    rustix::fs::open(path, flags, Mode::empty()).map_err(|error| match error {
        Errno::BUSY => in_use(path),
        other => refused(path, io::Error::from(other).kind(), &io::Error::from(other).to_string()),
    })
}

fn lock(path: &str, descriptor: OwnedFd) -> Result<OwnedFd, Failure> {
    match rustix::fs::flock(&descriptor, FlockOperation::NonBlockingLockExclusive) {
        Ok(()) => Ok(descriptor),
        Err(Errno::WOULDBLOCK) => Err(in_use(path)),
        Err(error) => Err(refused(path, io::Error::from(error).kind(), &io::Error::from(error).to_string())),
    }
}

fn in_use(path: &str) -> Failure {
    Failure::nothing(format!("{path} is in use by another program"))
        .hint("close the program that has it; `wattward ports` shows who holds a port where that can be seen")
}

fn refused(path: &str, kind: io::ErrorKind, text: &str) -> Failure {
    match kind {
        io::ErrorKind::NotFound => Failure::nothing(format!("{path} is not there"))
            .hint("plug the adapter in, and see `wattward ports` for the ports of this computer"),
        io::ErrorKind::PermissionDenied => {
            let mend = Barrier::of(Path::new(path)).mend(path);
            Failure::nothing(format!("no permission to open {path}")).hint(mend)
        }
        _ => Failure::nothing(format!("{path} cannot be opened: {text}")),
    }
}

fn no_rs485(path: &str, error: Errno) -> Failure {
    Failure::nothing(format!(
        "{path}: the driver does not switch an RS485 direction ({})",
        io::Error::from(error)
    ))
    .hint("leave `direction` out of the meter's line: most adapters switch by themselves")
}

/// Where the kernel keeps an adapter's latency timer in ms, for drivers that have one.
pub fn latency_timer(path: &str) -> Option<PathBuf> {
    let device = std::fs::canonicalize(path).ok()?;
    let file = Path::new("/sys/class/tty").join(device.file_name()?).join("device/latency_timer");
    file.exists().then_some(file)
}

fn latency(path: &str, uart: bool) -> Span {
    let Some(file) = latency_timer(path) else { return if uart { USB_LATENCY } else { Span::ZERO } };
    // Lowering it needs write permission on the file, which only root has as a rule.
    #[expect(clippy::disallowed_methods, reason = "the rim reads and writes files")]
    let text = {
        let _ = std::fs::write(&file, "1");
        std::fs::read_to_string(&file)
    };
    text.ok().and_then(|text| text.trim().parse().ok()).map_or(USB_LATENCY, Span::from_millis)
}

/// Requests to the driver that no safe interface offers.
mod kernel {
    use rustix::fd::BorrowedFd;
    use rustix::io::{Errno, Result};
    use rustix::ioctl::{Getter, Opcode, Setter, ioctl};

    // Numbers of asm-generic/ioctls.h, which x86, Arm and RISC-V use.
    const TIOCMGET: Opcode = 0x5415;
    const TIOCMBIC: Opcode = 0x5417;
    const TIOCGSERIAL: Opcode = 0x541e;
    const TIOCSSERIAL: Opcode = 0x541f;
    const TIOCSRS485: Opcode = 0x542f;

    const TIOCM_DTR_RTS: i32 = 0x006;
    const ASYNC_LOW_LATENCY: i32 = 1 << 13;
    const SER_RS485_ENABLED: u32 = 1;
    const SER_RS485_RTS_ON_SEND: u32 = 2;

    /// `struct serial_struct` of linux/serial.h; only `flags` is of interest.
    #[repr(C)]
    #[derive(Clone, Copy)]
    struct SerialInfo {
        kind: i32,
        line: i32,
        port: u32,
        irq: i32,
        flags: i32,
        fifo: i32,
        divisor: i32,
        baud_base: i32,
        close_delay: u16,
        io_type: u8,
        reserved: u8,
        hub6: i32,
        closing_wait: [u16; 2],
        memory: usize,
        shift: u16,
        port_high: u32,
        map_base: usize,
    }

    /// `struct serial_rs485` of linux/serial.h.
    #[repr(C)]
    struct Rs485 {
        flags: u32,
        delay_before: u32,
        delay_after: u32,
        padding: [u32; 5],
    }

    /// The modem lines; `ENOTTY` where there is no UART behind the port.
    #[expect(unsafe_code, reason = "no safe interface")]
    pub(super) fn modem_lines(port: BorrowedFd<'_>) -> Result<i32> {
        // SAFETY: TIOCMGET writes one int.
        unsafe { ioctl(port, Getter::<TIOCMGET, i32>::new()) }
    }

    /// DTR and RTS off.
    #[expect(unsafe_code, reason = "no safe interface")]
    pub(super) fn drop_modem_lines(port: BorrowedFd<'_>) -> Result<()> {
        // SAFETY: TIOCMBIC reads one int.
        unsafe { ioctl(port, Setter::<TIOCMBIC, i32>::new(TIOCM_DTR_RTS)) }
    }

    /// Asks the driver to hand bytes over at once.
    #[expect(unsafe_code, reason = "no safe interface")]
    pub(super) fn low_latency(port: BorrowedFd<'_>) -> Result<()> {
        // SAFETY: TIOCGSERIAL writes a serial_struct, TIOCSSERIAL reads one; the type has its layout.
        let mut info = unsafe { ioctl(port, Getter::<TIOCGSERIAL, SerialInfo>::new())? };
        if info.flags & ASYNC_LOW_LATENCY != 0 {
            return Ok(());
        }
        info.flags |= ASYNC_LOW_LATENCY;
        // SAFETY: as above.
        unsafe { ioctl(port, Setter::<TIOCSSERIAL, SerialInfo>::new(info)) }
    }

    /// Has the kernel switch the RS485 driver: RTS on while sending.
    #[expect(unsafe_code, reason = "no safe interface")]
    pub(super) fn rs485(port: BorrowedFd<'_>) -> std::result::Result<(), Errno> {
        let settings = Rs485 {
            flags: SER_RS485_ENABLED | SER_RS485_RTS_ON_SEND,
            delay_before: 0,
            delay_after: 0,
            padding: [0; 5],
        };
        // SAFETY: TIOCSRS485 reads a serial_rs485 (and may write the settings taken back into it); the type has its
        // layout and lives until the call returns.
        unsafe { ioctl(port, Setter::<TIOCSRS485, Rs485>::new(settings)) }
    }
}

#[cfg(test)]
mod tests;
