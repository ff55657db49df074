//! Radios behind a device server: a raw TCP connection whose bytes are those of the server's serial port.
//!
//! Input: `host:port` of the configuration. Output: a connected socket for `reader`, or a reason.
//!
//! What this is not: no telnet options (RFC 2217), no encryption. The frames are sealed, and the network is the
//! site's own. The gateway only listens, so only keepalive detects a server that vanishes without a message.

use rustix::net::sockopt;
use std::io;
use std::net::{TcpStream, ToSocketAddrs};
use std::time::Duration;

/// How long to try each address of the host.
const CONNECT_LIMIT: Duration = Duration::from_secs(10);

// A server that vanished is detected 60 + 3 * 10 s after its last byte. A minute of silence is common, so a
// quiet site costs one small packet a minute.
const KEEPALIVE_AFTER: Duration = Duration::from_secs(60);
const KEEPALIVE_EVERY: Duration = Duration::from_secs(10);
const KEEPALIVE_PROBES: u32 = 3;

/// Connects to `address`, trying each of the host's addresses in turn. The socket does not block.
///
/// Errors: the reason, for the operator; with several addresses, the reason of the last one.
pub fn open(address: &str) -> Result<TcpStream, String> {
    let addresses = address
        .to_socket_addrs()
        .map_err(|error| format!("tcp://{address}: cannot find the host: {error}"))?;
    let mut reason = format!("tcp://{address}: the host has no address");
    for each in addresses {
        match TcpStream::connect_timeout(&each, CONNECT_LIMIT).and_then(prepared) {
            Ok(stream) => return Ok(stream),
            Err(error) => reason = format!("tcp://{address}: {error}"),
        }
    }
    Err(reason)
}

fn prepared(stream: TcpStream) -> io::Result<TcpStream> {
    stream.set_nonblocking(true)?;
    sockopt::set_socket_keepalive(&stream, true)?;
    sockopt::set_tcp_keepidle(&stream, KEEPALIVE_AFTER)?;
    sockopt::set_tcp_keepintvl(&stream, KEEPALIVE_EVERY)?;
    sockopt::set_tcp_keepcnt(&stream, KEEPALIVE_PROBES)?;
    Ok(stream)
}
