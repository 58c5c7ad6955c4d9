//! Connections over TCP: to a Modbus TCP server, or to a gateway that passes serial bytes through.

use std::time::Duration;

use tokio::net::TcpStream;

use crate::base::Failure;

/// How long a host may take to accept.
const PATIENCE: Duration = Duration::from_secs(3);

/// Connects to `host:port`. Needs a tokio runtime.
///
/// # Errors
/// No such host, nobody there, refused.
pub async fn connect(host: &str) -> Result<TcpStream, Failure> {
    let stream = match tokio::time::timeout(PATIENCE, TcpStream::connect(host)).await {
        Ok(Ok(stream)) => stream,
        Ok(Err(error)) if error.kind() == std::io::ErrorKind::ConnectionRefused => {
            return Err(Failure::nothing(format!("{host} refuses the connection"))
                .hint("many gateways allow one connection only: whoever holds it must let go first"));
        }
        Ok(Err(error)) => return Err(Failure::nothing(format!("{host} cannot be reached: {error}"))),
        Err(_) => return Err(Failure::nothing(format!("{host} does not answer within 3 s"))),
    };
    // A request is one small segment: it must not wait for more.
    stream.set_nodelay(true).map_err(|error| Failure::nothing(format!("{host}: {error}")))?;
    Ok(stream)
}
