"""Hides from taretrace what Windows or macOS lacks; Python imports this module first if its folder is on the path.

Only imports by taretrace's own modules are changed, because libraries choose their code by the system they run on.
"""

import builtins
import sys
from types import ModuleType
from typing import Any

ROOMS = {"flows", "reports", "sql", "taretrace", "transforms"}
MODULES = {
    *("fcntl", "resource", "pwd", "grp", "termios", "tty", "pty", "posix", "syslog", "readline", "curses", "crypt"),
    *("nis", "spwd", "ossaudiodev", "_posixshmem", "_posixsubprocess", "asyncio.unix_events"),
}
"""Modules of the standard library that Windows lacks."""
OS = {
    *("getuid", "geteuid", "getgid", "getegid", "getgroups", "setuid", "setgid", "seteuid", "initgroups", "getpgid"),
    *("getpgrp", "setpgid", "setsid", "getsid", "fork", "forkpty", "killpg", "nice", "getpriority", "setpriority"),
    *("sched_getaffinity", "sched_setaffinity", "sched_yield", "uname", "getloadavg", "sysconf", "confstr", "pathconf"),
    *("chown", "lchown", "fchown", "fchmod", "lchmod", "chroot", "mkfifo", "mknod", "statvfs", "fstatvfs", "sync"),
    *("fdatasync", "posix_fadvise", "posix_fallocate", "posix_spawn", "pread", "pwrite", "preadv", "pwritev", "readv"),
    *("writev", "sendfile", "lockf", "openpty", "ttyname", "tcgetpgrp", "ctermid", "pipe2", "memfd_create", "wait"),
    *("wait3", "wait4", "waitid", "WIFEXITED", "WIFSIGNALED", "WEXITSTATUS", "WTERMSIG", "WNOHANG", "getxattr"),
    *("setxattr", "register_at_fork", "set_blocking", "get_blocking", "O_CLOEXEC", "O_DIRECTORY", "O_NOFOLLOW"),
    *("O_NONBLOCK", "O_SYNC", "O_DSYNC", "kill"),
}
"""Names of `os` that Windows lacks, and `kill`, which ends or interrupts a process there whatever the signal."""
SIGNAL = {
    *("SIGKILL", "SIGHUP", "SIGQUIT", "SIGALRM", "SIGUSR1", "SIGUSR2", "SIGCHLD", "SIGPIPE", "SIGSTOP", "SIGCONT"),
    *("SIGTSTP", "SIGXCPU", "SIGWINCH", "alarm", "pause", "setitimer", "getitimer", "sigwait", "sigpending"),
    *("pthread_sigmask", "pthread_kill", "siginterrupt", "SIG_BLOCK", "SIG_UNBLOCK", "SIG_SETMASK"),
}
MISSING = {
    "os": OS,
    "signal": SIGNAL,
    "time": {"tzset", "clock_settime", "pthread_getcpuclockid"},
    "select": {"poll", "epoll", "kqueue"},
    "socket": {"AF_UNIX", "socketpair", "send_fds", "recv_fds"},
}


class Partial(ModuleType):
    """A module without some of its names; changes reach the module itself."""

    def __init__(self, module: ModuleType, missing: set[str]) -> None:
        super().__init__(module.__name__)
        self.__dict__["_module"], self.__dict__["_missing"] = module, missing

    def __getattr__(self, name: str) -> Any:
        if name in self.__dict__["_missing"]:
            raise AttributeError(f"module '{self.__name__}' has no '{name}' on this system", name=name)
        return getattr(self.__dict__["_module"], name)

    def __setattr__(self, name: str, value: Any) -> None:
        setattr(self.__dict__["_module"], name, value)


_import = builtins.__import__
_partial: dict[str, Partial] = {}


def _import_for_rooms(name: str, globals: Any = None, locals: Any = None, fromlist: Any = (), level: int = 0) -> Any:  # noqa: A002
    module = _import(name, globals, locals, fromlist, level)
    importer = str((globals or {}).get("__name__", "")).partition(".")[0]
    if importer not in ROOMS or level:
        return module
    if name in MODULES or name.partition(".")[0] in MODULES:
        raise ModuleNotFoundError(f"no module named '{name}' on this system", name=name)
    top = name.partition(".")[0]
    if top in MISSING and module is sys.modules[top]:
        return _partial.setdefault(top, Partial(module, MISSING[top]))
    return module


if __name__ == "sitecustomize":
    builtins.__import__ = _import_for_rooms
