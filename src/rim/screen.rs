//! The whole terminal for one view: taken, drawn, and given back, also after an error or a panic in any thread.

use std::time::Duration;

use ratatui::crossterm::event::{Event, KeyCode, KeyEventKind, KeyModifiers, poll, read};
use ratatui::{DefaultTerminal, Frame};

use crate::base::Failure;

/// The terminal, in raw mode on its other screen, until dropped.
#[derive(Debug)]
pub struct Screen {
    terminal: DefaultTerminal,
}

/// What a person pressed.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Key {
    /// `q`, Escape or Ctrl-C.
    Leave,
    /// Tab.
    Next,
}

impl Screen {
    /// Takes the terminal. A panic gives it back before its message is printed.
    ///
    /// # Errors
    /// Standard output is no terminal, or does not do what one does.
    pub fn open() -> Result<Self, Failure> {
        let terminal = ratatui::try_init().map_err(|error| {
            Failure::nothing(format!("the terminal cannot be drawn on: {error}"))
                .hint("`watch --lines` writes a line for each reading")
        })?;
        Ok(Self { terminal })
    }

    /// Draws the view anew at the terminal's present size.
    ///
    /// # Errors
    /// The terminal has gone away.
    pub fn draw(&mut self, view: impl FnOnce(&mut Frame<'_>)) -> Result<(), Failure> {
        let drawn = self.terminal.draw(view);
        drawn.map(drop).map_err(|error| Failure::nothing(format!("the terminal has gone away: {error}")))
    }

    /// What was pressed since, without waiting.
    ///
    /// # Errors
    /// The terminal has gone away.
    pub fn keys(&mut self) -> Result<Vec<Key>, Failure> {
        let gone = |error: std::io::Error| Failure::nothing(format!("the terminal has gone away: {error}"));
        let mut keys = Vec::new();
        while poll(Duration::ZERO).map_err(gone)? {
            let Event::Key(key) = read().map_err(gone)? else { continue };
            let control = key.modifiers.contains(KeyModifiers::CONTROL);
            match key.code {
                _ if key.kind == KeyEventKind::Release => {}
                KeyCode::Char('c') if control => keys.push(Key::Leave),
                KeyCode::Char('q') | KeyCode::Esc => keys.push(Key::Leave),
                KeyCode::Tab => keys.push(Key::Next),
                _ => {}
            }
        }
        Ok(keys)
    }
}

impl Drop for Screen {
    fn drop(&mut self) {
        ratatui::restore();
    }
}

#[cfg(test)]
mod tests {
    use std::fs::File;
    use std::io::Read;
    use std::os::fd::OwnedFd;
    use std::process::{Command, Stdio};

    use rustix::pty::{OpenptFlags, grantpt, openpt, ptsname, unlockpt};
    use rustix::termios::{LocalModes, Winsize, tcgetattr, tcsetwinsize};

    use super::*;

    /// Set where the test runs again on a terminal of its own: a thread dies there while the screen is taken, and nothing
    /// else gives it back.
    const AGAIN: &str = "WATTWARD_TEST_ON_A_TERMINAL";

    fn a_thread_dies() -> ! {
        let _screen = Screen::open().expect("a terminal");
        let thread = std::thread::spawn(|| panic!("the line's thread died"));
        let _ = thread.join();
        std::process::exit(3);
    }

    /// `common practice`: after a panic the shell must echo what is typed.
    #[test]
    fn a_panic_in_any_thread_gives_the_terminal_back_before_it_is_told() {
        if std::env::var_os(AGAIN).is_some() {
            a_thread_dies();
        }
        let ours = openpt(OpenptFlags::RDWR | OpenptFlags::NOCTTY).expect("a pseudo-terminal");
        grantpt(&ours).expect("granted");
        unlockpt(&ours).expect("unlocked");
        let size = Winsize { ws_row: 24, ws_col: 80, ws_xpixel: 0, ws_ypixel: 0 };
        tcsetwinsize(&ours, size).expect("a size");
        let path = ptsname(&ours, Vec::new()).expect("a name").into_string().expect("a path");
        let theirs = File::options().read(true).write(true).open(path).expect("the far end");
        let end = || Stdio::from(theirs.try_clone().expect("another handle"));
        let name = "rim::screen::tests::a_panic_in_any_thread_gives_the_terminal_back_before_it_is_told";
        let mut child = Command::new(std::env::current_exe().expect("this test"))
            .args(["--exact", name, "--nocapture", "--test-threads=1"])
            .env(AGAIN, "1")
            .stdin(end())
            .stdout(end())
            .stderr(end())
            .spawn()
            .expect("run again");
        let reader = std::thread::spawn(move || all_of(ours));
        let status = child.wait().expect("ended");
        assert_eq!(status.code(), Some(3));
        let modes = tcgetattr(&theirs).expect("settings").local_modes;
        assert!(modes.contains(LocalModes::ICANON | LocalModes::ECHO), "{modes:?}");
        drop(theirs);
        let text = reader.join().expect("read");
        let left = text.find("\x1b[?1049l").expect("the other screen is left");
        assert!(text.contains("\x1b[?1049h"), "{text:?}");
        assert!(text.find("the line's thread died").is_some_and(|told| told > left), "{text:?}");
    }

    /// Everything the far end wrote until it closed.
    fn all_of(ours: OwnedFd) -> String {
        let (mut file, mut bytes, mut piece) = (File::from(ours), Vec::new(), [0_u8; 4096]);
        while let Ok(count) = file.read(&mut piece) {
            if count == 0 {
                break;
            }
            bytes.extend_from_slice(&piece[..count]);
        }
        String::from_utf8_lossy(&bytes).into_owned()
    }
}
