//! Where the page is served: an address of this computer that the phone reaches.

use std::net::{IpAddr, Ipv6Addr, SocketAddr, UdpSocket};

use crate::base::Failure;

/// The port when none is named. Ours; unassigned by IANA as far as we know.
const PORT: u16 = 8437;

/// Reads what was typed: nothing, `192.0.2.7`, `192.0.2.7:8080`, `2001:db8::7`, `[2001:db8::7]:8080`.
///
/// # Errors
/// It is no address, or stands for every address of this computer; none was named, and there is no network.
pub fn place(typed: &str) -> Result<SocketAddr, Failure> {
    let typed = typed.trim();
    let at = if typed.is_empty() {
        SocketAddr::new(ours()?, PORT)
    } else if let Ok(address) = typed.parse::<IpAddr>() {
        SocketAddr::new(address, PORT)
    } else {
        typed.parse().map_err(|_| {
            Failure::usage(format!("`{typed}` is no address to serve a page on"))
                .hint("an address of this computer, with a port if you like: --page=192.0.2.7:8437")
        })?
    };
    if at.ip().is_unspecified() {
        return Err(Failure::usage(format!("{} stands for every network this computer is on", at.ip()))
            .hint("name the address of the one the phone is on"));
    }
    Ok(at)
}

/// Whether an address is of a network of one's own (RFC 1918, RFC 4193, RFC 3927, RFC 4291), or of this computer alone.
pub fn is_private(address: IpAddr) -> bool {
    match address {
        IpAddr::V4(four) => four.is_private() || four.is_loopback() || four.is_link_local(),
        IpAddr::V6(six) => six.is_loopback() || six.is_unique_local() || six.is_unicast_link_local(),
    }
}

/// The address by which this computer would leave its network. Connecting a UDP socket sends nothing; the addresses are
/// those of documentation (RFC 5737, RFC 3849), so that nothing could be meant by it either.
fn ours() -> Result<IpAddr, Failure> {
    let by = |own: IpAddr, far: IpAddr| {
        let socket = UdpSocket::bind((own, 0)).ok()?;
        socket.connect((far, 9)).ok()?;
        let address = socket.local_addr().ok()?.ip();
        (!address.is_unspecified() && !address.is_loopback()).then_some(address)
    };
    by(IpAddr::from([0, 0, 0, 0]), IpAddr::from([192, 0, 2, 1]))
        .or_else(|| by(Ipv6Addr::UNSPECIFIED.into(), Ipv6Addr::new(0x2001, 0xdb8, 0, 0, 0, 0, 0, 1).into()))
        .ok_or_else(|| {
            Failure::nothing("this computer has no way out of its network by which to find its address")
                .hint("name it: --page=192.0.2.7 (`ip address` lists them); a hotspot of the phone or the laptop will do")
        })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn an_address_is_read_with_and_without_a_port() {
        let said = |typed: &str| place(typed).expect("an address").to_string();
        assert_eq!(said("192.0.2.7"), "192.0.2.7:8437");
        assert_eq!(said("192.0.2.7:8080"), "192.0.2.7:8080");
        assert_eq!(said("2001:db8::7"), "[2001:db8::7]:8437");
        assert_eq!(said(" [2001:db8::7]:80 "), "[2001:db8::7]:80");
        for wrong in
            ["kitchen", "192.0.2", "192.0.2.7:", "192.0.2.7:99999", "0.0.0.0", "[::]:80", "http://192.0.2.7"]
        {
            assert!(place(wrong).is_err(), "{wrong}");
        }
    }

    #[test]
    fn networks_of_ones_own_are_known() {
        for private in
            ["10.1.2.3", "172.31.0.1", "192.168.1.1", "169.254.3.4", "127.0.0.1", "fd00::1", "fe80::1", "::1"]
        {
            assert!(is_private(private.parse().expect("an address")), "{private}");
        }
        for public in ["192.0.2.7", "172.32.0.1", "2001:db8::1"] {
            assert!(!is_private(public.parse().expect("an address")), "{public}");
        }
    }
}
