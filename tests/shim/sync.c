/* Preloaded under the daemon by tests/faults.rs: while the file named by SHIM_FAIL_SYNC exists, syncs fail
 * with an input/output error, as a dying memory card's do. */
#define _GNU_SOURCE
#include <dlfcn.h>
#include <errno.h>
#include <stdlib.h>
#include <unistd.h>

static int failing(void) {
    const char *name = getenv("SHIM_FAIL_SYNC");
    return name && access(name, F_OK) == 0;
}

int fsync(int fd) {
    static int (*real)(int);
    if (failing()) { errno = EIO; return -1; }
    if (!real) real = (int (*)(int))dlsym(RTLD_NEXT, "fsync");
    return real(fd);
}

int fdatasync(int fd) {
    static int (*real)(int);
    if (failing()) { errno = EIO; return -1; }
    if (!real) real = (int (*)(int))dlsym(RTLD_NEXT, "fdatasync");
    return real(fd);
}
