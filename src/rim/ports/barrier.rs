//! Why a user may not open a port, and what mends it.

use std::path::Path;

/// What stands between a user and a port.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Barrier {
    /// The user is not in the group that may.
    Group(String),
    /// The user is in the group by now, but this session began before that.
    Session(String),
    /// Being in a group would not help: only its owner may.
    Owner,
}

impl Barrier {
    /// Of a device that could not be opened for want of permission.
    pub fn of(device: &Path) -> Self {
        // Read and write for the group: 0660.
        let open_to_group = rustix::fs::stat(device).is_ok_and(|known| known.st_mode & 0o060 == 0o060);
        let group = group_of(device).filter(|_| open_to_group);
        match group {
            Some(group) if is_member(&group) => Self::Session(group),
            Some(group) => Self::Group(group),
            None => Self::Owner,
        }
    }

    /// What it is, and what to do about it.
    pub fn words(&self, path: &str) -> (String, String) {
        match self {
            Self::Group(group) => (
                format!("the port belongs to the group {group}"),
                format!("`sudo usermod -aG {group} $USER`, then log out and in again"),
            ),
            Self::Session(group) => (
                format!("you are in its group {group}, but this session began before that"),
                "log out and in again".to_owned(),
            ),
            Self::Owner => (
                "only its owner may open it".to_owned(),
                format!("`sudo setfacl -m u:$USER:rw {path}`, until it is plugged in anew"),
            ),
        }
    }

    /// Both in one sentence fragment.
    pub fn mend(&self, path: &str) -> String {
        let (why, mend) = self.words(path);
        format!("{why}: {mend}")
    }
}

/// The name of the group a device file belongs to.
pub(super) fn group_of(path: &Path) -> Option<String> {
    let group = rustix::fs::stat(path).ok()?.st_gid;
    groups().lines().find_map(|line| {
        let mut fields = line.split(':');
        let name = fields.next()?;
        (fields.nth(1)?.parse() == Ok(group)).then(|| name.to_owned())
    })
}

fn groups() -> String {
    #[expect(clippy::disallowed_methods, reason = "the rim reads files")]
    std::fs::read_to_string("/etc/group").unwrap_or_default()
}

/// Whether the user of this process is listed as a member of a group.
fn is_member(group: &str) -> bool {
    #[expect(clippy::disallowed_methods, reason = "the rim reads files")]
    let users = std::fs::read_to_string("/etc/passwd").unwrap_or_default();
    let me = rustix::process::getuid().as_raw();
    user_name(&users, me).is_some_and(|name| lists(&groups(), group, name))
}

/// passwd(5): name:password:UID:…
fn user_name(users: &str, id: u32) -> Option<&str> {
    users.lines().find_map(|line| {
        let mut fields = line.split(':');
        let name = fields.next()?;
        (fields.nth(1)?.parse() == Ok(id)).then_some(name)
    })
}

/// group(5): name:password:GID:member,member
fn lists(groups: &str, group: &str, user: &str) -> bool {
    groups.lines().any(|line| {
        let fields: Vec<&str> = line.split(':').collect();
        fields.first() == Some(&group)
            && fields.get(3).is_some_and(|members| members.split(',').any(|member| member == user))
    })
}

#[cfg(test)]
#[expect(clippy::disallowed_methods, reason = "the rim reads and writes files")]
mod tests {
    use super::*;

    #[test]
    fn a_new_member_is_told_to_log_in_again_and_an_outsider_to_join() {
        let users = "root:x:0:0:root:/root:/bin/sh\nana:x:1000:1000::/home/ana:/bin/sh\n";
        let groups = "dialout:x:20:ben,ana\nuucp:x:14:\n";
        let ana = user_name(users, 1000).expect("listed");
        assert!(
            lists(groups, "dialout", ana) && !lists(groups, "uucp", ana) && !lists(groups, "dialout", "an")
        );
        assert_eq!(user_name(users, 7), None);
        assert!(Barrier::Session("dialout".into()).mend("/dev/x").contains("log out and in again"));
        assert!(Barrier::Group("uucp".into()).mend("/dev/x").contains("usermod -aG uucp $USER"));
    }

    #[test]
    fn a_port_that_no_group_may_open_is_not_mended_by_a_group() {
        use std::os::unix::fs::PermissionsExt;
        let folder = tempfile::tempdir().expect("folder");
        let device = folder.path().join("ttyX0");
        std::fs::write(&device, "").expect("a file");
        let barrier = |mode| {
            std::fs::set_permissions(&device, std::fs::Permissions::from_mode(mode)).expect("mode");
            Barrier::of(&device)
        };
        assert_eq!(barrier(0o600), Barrier::Owner);
        assert_ne!(barrier(0o660), Barrier::Owner);
    }
}
