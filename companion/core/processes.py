"""Which processes live on this computer."""

import os


def process_alive(pid: int) -> bool:
    """Tell whether a process with this number runs on this computer."""
    if os.name == "nt":
        import ctypes

        windll = ctypes.windll.kernel32  # type: ignore[attr-defined,unused-ignore]
        handle = windll.OpenProcess(0x1000, False, pid)  # PROCESS_QUERY_LIMITED_INFORMATION
        if not handle:
            return bool(windll.GetLastError() == 5)  # ERROR_ACCESS_DENIED: it lives, and is not ours
        code = ctypes.c_ulong()
        windll.GetExitCodeProcess(handle, ctypes.byref(code))
        windll.CloseHandle(handle)
        return code.value == 259  # STILL_ACTIVE
    try:
        os.kill(pid, 0)
    except (ProcessLookupError, OverflowError):
        return False
    except PermissionError:
        return True
    return True
