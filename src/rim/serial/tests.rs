//! Serial ports over pseudo-terminals.

use super::*;
use crate::record::WireError;
use rustix::pty::OpenptFlags;

/// The far end of a pseudo-terminal and the path of the near one.
fn pty() -> (OwnedFd, String) {
    let far = rustix::pty::openpt(OpenptFlags::RDWR | OpenptFlags::NOCTTY).expect("openpt");
    rustix::pty::grantpt(&far).expect("grantpt");
    rustix::pty::unlockpt(&far).expect("unlockpt");
    let name = rustix::pty::ptsname(&far, Vec::new()).expect("ptsname");
    (far, name.into_string().expect("a path"))
}

fn options(listen_only: bool) -> SerialOptions {
    SerialOptions { settings: SerialSettings::default(), direction: DriverDirection::Adapter, listen_only }
}

fn run<T>(future: impl Future<Output = T>) -> T {
    tokio::runtime::Builder::new_current_thread().enable_all().build().expect("runtime").block_on(future)
}

#[test]
fn bytes_pass_the_marking_unchanged_and_a_port_without_modem_lines_opens() {
    for listen_only in [false, true] {
        run(async {
            let (far, path) = pty();
            let mut port = SerialPort::open(&path, options(listen_only)).expect("open");
            assert!(!port.tells_errors(), "a pseudo-terminal cannot see a parity error");
            let line = [0x01, 0xff, 0x02, 0xff, 0x00, 0x41, 0xff, 0xff, 0x11, 0x13, 0x03, 0x0d];
            rustix::io::write(&far, &line).expect("write");
            let mut heard: Vec<(u8, Option<WireError>)> = Vec::new();
            let mut buffer = [0; 64];
            while heard.len() < line.len() {
                let count = port.read(&mut buffer).await.expect("read");
                for (bytes, error) in port.unmark(&buffer[..count]) {
                    heard.extend(bytes.into_iter().map(|byte| (byte, error)));
                }
            }
            assert_eq!(heard, line.map(|byte| (byte, None)));
        });
    }
}

#[test]
fn a_second_open_says_in_use_and_leaves_the_first_excluded() {
    run(async {
        let (_far, path) = pty();
        let first = SerialPort::open(&path, options(false)).expect("open");
        for listen_only in [false, true] {
            let failure = SerialPort::open(&path, options(listen_only)).expect_err("in use");
            assert!(failure.message.contains("in use"), "{failure}");
        }
        drop(first);
        SerialPort::open(&path, options(true)).expect("free again");
    });
}

#[test]
fn a_port_that_is_not_there_and_a_file_that_is_no_port_are_told_apart() {
    run(async {
        let failure = SerialPort::open("/dev/no-such-port", options(false)).expect_err("not there");
        assert_eq!(failure.message, "/dev/no-such-port is not there");
        let failure = SerialPort::open("/dev/null", options(false)).expect_err("no port");
        assert!(failure.message.contains("cannot be opened"), "{failure}");
    });
}

#[test]
fn no_permission_names_the_group() {
    let failure = refused("/dev/null", io::ErrorKind::PermissionDenied, "");
    assert!(failure.hint.expect("hint").contains("usermod -aG root"), "/dev/null belongs to root");
}

#[test]
fn a_port_opened_to_listen_refuses_to_send() {
    run(async {
        let (far, path) = pty();
        let mut port = SerialPort::open(&path, options(true)).expect("open");
        assert!(port.write(&[1, 2, 3]).await.is_err());
        let Port::Listen(descriptor) = &port.port else { panic!("opened to ask") };
        assert_eq!(
            rustix::io::write(descriptor.get_ref(), &[1]),
            Err(Errno::BADF),
            "the kernel refuses it too"
        );
        rustix::fs::fcntl_setfl(&far, OFlags::NONBLOCK).expect("nonblocking");
        assert_eq!(
            rustix::io::read(&far, &mut [0; 8]),
            Err(Errno::AGAIN),
            "nothing came out at the other end"
        );
    });
}

#[test]
fn the_far_end_gone_reads_as_the_line_lost() {
    run(async {
        let (far, path) = pty();
        let mut port = SerialPort::open(&path, options(false)).expect("open");
        drop(far);
        let gone = port.read(&mut [0; 8]).await;
        assert!(matches!(gone, Ok(0) | Err(_)), "{gone:?}");
    });
}

#[test]
fn the_kernel_direction_is_refused_where_the_driver_has_none() {
    run(async {
        let (_far, path) = pty();
        let kernel = SerialOptions { direction: DriverDirection::Kernel, ..options(false) };
        let failure = SerialPort::open(&path, kernel).expect_err("a pseudo-terminal drives no bus");
        assert!(failure.message.contains("RS485"), "{failure}");
    });
}
