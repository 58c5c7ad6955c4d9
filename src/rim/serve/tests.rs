//! The stand-in meter over its real doors: independent client, other units' traffic, clients that come and go.

use std::fs::{File, OpenOptions};
use std::io::{Read, Write};
use std::net::TcpStream;
use std::time::Duration;

use super::*;
use crate::sim::fixture::quiet;
use crate::wire::{Request, mbap};

fn stage() -> Stage {
    let mut scenario = quiet();
    scenario.meters[0].turnaround = Span::from_millis(2);
    Stage::start(&scenario, Clock::start())
}

fn port(serving: &Serving) -> File {
    let Door::Serial(path) = &serving.door else { panic!("{:?} is no serial door", serving.door) };
    OpenOptions::new().read(true).write(true).open(path).unwrap()
}

fn question() -> Vec<u8> {
    rtu::encode(1, &Request::read_input(300, 4).unwrap().encode())
}

fn ask(port: &mut (impl Read + Write), bytes: &[u8]) -> Vec<u8> {
    port.write_all(bytes).unwrap();
    let mut answer = vec![0_u8; 5 + 8];
    port.read_exact(&mut answer).unwrap();
    rtu::check(&answer).expect("a whole frame").1.to_vec()
}

/// Test 10 of what follows from other libraries' troubles: `serve` lives on after other units' answers, noise and the rest.
#[test]
fn a_pseudo_terminal_survives_the_traffic_of_others() {
    let stage = stage();
    let serving = stage.serve_pty(0, None).unwrap();
    let mut port = port(&serving);
    assert_eq!(ask(&mut port, &question())[..2], [4, 8]);
    let noise: Vec<u8> = (0..60_u8).map(|n| n.wrapping_mul(151)).collect();
    let foreign = [&[3, 250][..], &[7; 250]].concat();
    for bytes in [noise, rtu::encode(9, &foreign), rtu::encode(0, &[6, 0, 1, 0, 1]), question()[..5].to_vec()]
    {
        port.write_all(&bytes).unwrap();
        assert_eq!(ask(&mut port, &question())[..2], [4, 8]);
    }
    assert!(serving.runs());
}

#[test]
fn clients_may_come_and_go_and_a_link_goes_with_the_server() {
    let folder = tempfile::tempdir().unwrap();
    let link = folder.path().join("meter");
    let stage = stage();
    let serving = stage.serve_pty(0, Some(&link)).unwrap();
    for _ in 0..3 {
        let mut port = OpenOptions::new().read(true).write(true).open(&link).unwrap();
        assert_eq!(ask(&mut port, &question())[..2], [4, 8]);
    }
    // a link of an earlier run is replaced, a file is not
    let again = stage.serve_pty(0, Some(&link)).unwrap();
    drop((serving, again));
    assert!(std::fs::symlink_metadata(&link).is_err());
    OpenOptions::new().write(true).create_new(true).open(&link).unwrap();
    assert!(stage.serve_pty(0, Some(&link)).is_err());
}

#[test]
fn commands_show_on_the_line() {
    let stage = stage();
    let serving = stage.serve_pty(0, None).unwrap();
    let mut port = port(&serving);
    let power = |port: &mut File| f64::from_be_bytes(ask(port, &question())[2..10].try_into().unwrap());
    assert!(power(&mut port).abs() < 1.0);
    stage.command(&Command::Load(0, true));
    std::thread::sleep(Duration::from_millis(300));
    assert!((power(&mut port) - 2000.0).abs() < 1.0);
    assert!((stage.truth().total_w() - 2000.0).abs() < 1.0);
}

#[test]
fn a_network_door_answers_by_number_and_tells_of_units_that_are_not_there() {
    let stage = stage();
    let serving = stage.serve_net(0, "127.0.0.1:0", false).unwrap();
    let Door::Tcp(address) = &serving.door else { panic!("{:?}", serving.door) };
    let mut stream = TcpStream::connect(address).unwrap();
    let pdu = Request::read_input(300, 4).unwrap().encode();
    // two messages in one segment, the second to a unit that is not there
    stream.write_all(&[mbap::encode(7, 1, &pdu), mbap::encode(8, 66, &pdu)].concat()).unwrap();
    let mut answer = vec![0_u8; 7 + 10 + 7 + 2];
    stream.read_exact(&mut answer).unwrap();
    assert_eq!(answer[..9], [0, 7, 0, 0, 0, 11, 1, 4, 8]);
    assert_eq!(answer[17..], [0, 8, 0, 0, 0, 3, 66, 0x84, 0x0B]);
    // what is no message ends that connection and no other
    stream.write_all(&[9; 30]).unwrap();
    assert_eq!(stream.read(&mut [0; 10]).unwrap_or(0), 0);
    let mut again = TcpStream::connect(address).unwrap();
    again.write_all(&mbap::encode(1, 1, &pdu)).unwrap();
    again.read_exact(&mut answer[..9]).unwrap();
    assert_eq!(answer[..2], [0, 1]);
}

#[test]
fn a_gateway_passes_serial_frames_on() {
    let stage = stage();
    let serving = stage.serve_net(0, "127.0.0.1:0", true).unwrap();
    let Door::SerialOverTcp(address) = &serving.door else { panic!("{:?}", serving.door) };
    let mut stream = TcpStream::connect(address).unwrap();
    assert_eq!(ask(&mut stream, &question())[..2], [4, 8]);
    assert!(stage.serve_net(0, address, true).is_err());
}

/// An independent client: the RTU client of a general Modbus library, over the pseudo-terminal.
#[test]
fn an_independent_client_reads_registers_and_gets_exceptions() {
    use tokio_modbus::prelude::*;
    let stage = stage();
    stage.command(&Command::Load(1, true));
    let serving = stage.serve_pty(0, None).unwrap();
    let Door::Serial(path) = serving.door.clone() else { panic!("{:?}", serving.door) };
    let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build().unwrap();
    runtime.block_on(async {
        tokio::time::sleep(Duration::from_millis(300)).await;
        let port = tokio_serial::SerialStream::open(&tokio_serial::new(&path, 9600)).unwrap();
        let mut client = rtu::attach_slave(port, Slave(1));
        let words = client.read_input_registers(300, 4).await.unwrap().unwrap();
        let raw = words.iter().fold(0_u64, |raw, word| (raw << 16) | u64::from(*word));
        assert!((f64::from_bits(raw) - 2000.0).abs() < 1.0, "{words:?}");
        assert_eq!(
            client.read_holding_registers(0, 2).await.unwrap(),
            Err(ExceptionCode::IllegalDataAddress)
        );
        assert_eq!(client.write_single_register(0, 2).await.unwrap(), Err(ExceptionCode::IllegalFunction));
    });
}
