/* Preloaded under the real binary by the tests of faults: a disk that fails, fills up, is slow, or lies; a kill at a
 * chosen write or sync; and a record of all that was written and synced.
 *
 * Only files whose path begins with one of SHIM_FILES (separated by colons) are looked at, and the folders of these
 * in syncs. Without SHIM_FILES nothing is. Settings, all by environment:
 *
 *   SHIM_FAIL_SYNC=FILE    while FILE exists, every sync fails (EIO), of any file
 *   SHIM_RULE=WHAT:N:ERROR:HOW
 *                          WHAT is write (write, pwrite, ftruncate), short (half of what was to be written, ERROR is
 *                          then met with the next try) or sync (fsync, fdatasync); N counts from 1; ERROR is EIO,
 *                          ENOSPC or none; HOW is once or on: from then on, while SHIM_WHILE (a file) exists
 *   SHIM_KILL=N            SIGKILL in place of the N-th write or sync
 *   SHIM_DELAY_US=N        so long does each write and sync take
 *   SHIM_SYNC_DELAY_US=N   so long does each sync take
 *   SHIM_SWALLOW=ENDING    syncs of files that end so are told done and not made; "all": of every file
 *   SHIM_TRACE=FILE        each write, truncation, sync, creation, unlinking and telling is appended, and each start
 *   SHIM_NOTES=FILE        counts at the end, faults as they happen, a sync tried again after a failed one
 */
#define _GNU_SOURCE
#include <dlfcn.h>
#include <errno.h>
#include <fcntl.h>
#include <pthread.h>
#include <signal.h>
#include <stdarg.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <unistd.h>

#define REAL(name) static __typeof__(&name) real; if (!real) real = (__typeof__(&name))dlsym(RTLD_NEXT, #name)
#define PATH 4096

static pthread_mutex_t lock = PTHREAD_MUTEX_INITIALIZER;
static long writes, syncs;
static char failed[8][PATH];
static int failed_count, folder_done;

static const char *setting(const char *name) {
    const char *value = getenv(name);
    return value && *value ? value : NULL;
}

static ssize_t real_write(int fd, const void *bytes, size_t len) {
    REAL(write);
    return real(fd, bytes, len);
}

static int append_to(const char *file) {
    REAL(open);
    return real(file, O_WRONLY | O_CREAT | O_APPEND | O_CLOEXEC, 0644);
}

static void note(const char *format, ...) {
    const char *file = setting("SHIM_NOTES");
    if (!file) return;
    char line[PATH + 64];
    va_list args;
    va_start(args, format);
    int len = vsnprintf(line, sizeof line, format, args);
    va_end(args);
    int fd = append_to(file);
    if (fd < 0) return;
    if (real_write(fd, line, (size_t)len) < 0) abort();
    close(fd);
}

/* Whether a path is one of those looked at, or (is_folder) the folder of one. */
static int looked_at(const char *path, int is_folder) {
    const char *files = setting("SHIM_FILES");
    if (!files) return 0;
    while (*files) {
        size_t len = strcspn(files, ":");
        if (is_folder) {
            size_t folder = len;
            while (folder > 1 && files[folder] != '/') folder--;
            if (strlen(path) == folder && strncmp(path, files, folder) == 0) return 1;
        } else if (strncmp(path, files, len) == 0) {
            return 1;
        }
        files += len;
        if (*files == ':') files++;
    }
    return 0;
}

/* The path of a file descriptor, if it is looked at. 1: a file; 2: a folder. */
static int known(int fd, char *path) {
    if (!setting("SHIM_FILES")) return 0;
    char link[64];
    snprintf(link, sizeof link, "/proc/self/fd/%d", fd);
    ssize_t len = readlink(link, path, PATH - 1);
    if (len <= 0) return 0;
    path[len] = 0;
    if (looked_at(path, 0)) return 1;
    return looked_at(path, 1) ? 2 : 0;
}

static void trace(char op, const char *path, uint64_t offset, const void *bytes, uint32_t len) {
    const char *file = setting("SHIM_TRACE");
    if (!file) return;
    uint16_t name = (uint16_t)strlen(path);
    size_t all = 1 + 2 + 8 + 4 + (size_t)name + len;
    char *entry = malloc(all), *at = entry;
    if (!entry) abort();
    *at++ = op;
    memcpy(at, &name, 2); at += 2;
    memcpy(at, &offset, 8); at += 8;
    memcpy(at, &len, 4); at += 4;
    memcpy(at, path, name); at += name;
    if (len) memcpy(at, bytes, len);
    int fd = append_to(file);
    if (fd < 0 || real_write(fd, entry, all) != (ssize_t)all) abort();
    close(fd);
    free(entry);
}

/* 0, or the errno with which the n-th of its kind fails; *is_short: only half of it is written. */
static int fault(const char *kind, long n, int *is_short) {
    const char *rule = setting("SHIM_RULE");
    char what[16], error[16], how[16];
    long at;
    if (!rule || sscanf(rule, "%15[^:]:%ld:%15[^:]:%15s", what, &at, error, how) != 4) return 0;
    int cut = strcmp(what, "short") == 0;
    if (strcmp(cut ? "write" : what, kind) != 0) return 0;
    int number = strcmp(error, "ENOSPC") == 0 ? ENOSPC : strcmp(error, "none") == 0 ? 0 : EIO;
    if (cut) {
        if (n == at && is_short) { *is_short = 1; return 0; }
        at++;
    }
    if (n == at) return number;
    const char *during = setting("SHIM_WHILE");
    if (n > at && strcmp(how, "on") == 0 && (!during || access(during, F_OK) == 0)) return number;
    return 0;
}

static void delay_by(const char *name) {
    const char *us = setting(name);
    if (us) usleep((useconds_t)atol(us));
}

static void delay(void) {
    delay_by("SHIM_DELAY_US");
}

static void kill_at(void) {
    const char *at = setting("SHIM_KILL");
    if (at && writes + syncs >= atol(at)) kill(getpid(), SIGKILL);
}

/* Counts a write; an errno if it is to fail. */
static int before_write(const char *path, size_t *len) {
    int is_short = 0;
    writes++;
    kill_at();
    delay();
    int error = fault("write", writes, &is_short);
    if (error) note("write %ld %s: %s\n", writes, path, strerror(error));
    if (is_short && len && *len > 1) {
        note("short %ld %s\n", writes, path);
        *len /= 2;
    }
    return error;
}

static ssize_t any_write(int fd, const void *bytes, size_t len, off_t at, int is_positioned) {
    REAL(pwrite);
    char path[PATH];
    if (known(fd, path) != 1) return is_positioned ? real(fd, bytes, len, at) : real_write(fd, bytes, len);
    pthread_mutex_lock(&lock);
    int error = before_write(path, &len);
    ssize_t done = -1;
    if (!error) {
        if (!is_positioned) at = lseek(fd, 0, SEEK_CUR);
        done = is_positioned ? real(fd, bytes, len, at) : real_write(fd, bytes, len);
        error = errno;
        if (done > 0) trace('W', path, (uint64_t)at, bytes, (uint32_t)done);
    }
    pthread_mutex_unlock(&lock);
    if (done < 0) errno = error;
    return done;
}

ssize_t write(int fd, const void *bytes, size_t len) { return any_write(fd, bytes, len, 0, 0); }
ssize_t pwrite(int fd, const void *bytes, size_t len, off_t at) { return any_write(fd, bytes, len, at, 1); }
ssize_t pwrite64(int fd, const void *bytes, size_t len, off64_t at) { return any_write(fd, bytes, len, at, 1); }

int ftruncate(int fd, off_t len) {
    REAL(ftruncate);
    char path[PATH];
    if (known(fd, path) != 1) return real(fd, len);
    pthread_mutex_lock(&lock);
    int error = before_write(path, NULL), done = -1;
    if (!error) {
        done = real(fd, len);
        error = errno;
        if (done == 0) trace('T', path, (uint64_t)len, NULL, 0);
    }
    pthread_mutex_unlock(&lock);
    if (done < 0) errno = error;
    return done;
}
int ftruncate64(int fd, off64_t len) { return ftruncate(fd, len); }

static int swallowed(const char *path) {
    const char *ending = setting("SHIM_SWALLOW");
    if (!ending) return 0;
    if (strcmp(ending, "all") == 0) return 1;
    size_t len = strlen(path), of = strlen(ending);
    return len >= of && strcmp(path + len - of, ending) == 0;
}

static int any_sync(int fd, int (*real)(int)) {
    const char *trigger = setting("SHIM_FAIL_SYNC");
    if (trigger && access(trigger, F_OK) == 0) { errno = EIO; return -1; }
    char path[PATH];
    int kind = known(fd, path);
    if (!kind) return real(fd);
    pthread_mutex_lock(&lock);
    syncs++;
    kill_at();
    delay();
    delay_by("SHIM_SYNC_DELAY_US");
    for (int i = 0; i < failed_count; i++)
        if (strcmp(failed[i], path) == 0) note("again %ld %s\n", syncs, path);
    int error = fault("sync", syncs, NULL), done = -1;
    if (error) {
        note("sync %ld %s: %s%s\n", syncs, path, strerror(error), kind == 2 && folder_done ? " (folder again)" : "");
        if (failed_count < 8) strcpy(failed[failed_count++], path);
    } else if (swallowed(path)) {
        done = 0;
    } else {
        done = real(fd);
        error = errno;
        if (done == 0) trace(kind == 1 ? 'S' : 'D', path, 0, NULL, 0);
        if (done == 0 && kind == 2) folder_done = 1;
    }
    pthread_mutex_unlock(&lock);
    if (done < 0) errno = error;
    return done;
}

int fsync(int fd) {
    REAL(fsync);
    return any_sync(fd, real);
}
int fdatasync(int fd) {
    REAL(fdatasync);
    return any_sync(fd, real);
}

static int any_open(const char *name, int flags, mode_t mode) {
    REAL(open);
    if (!(flags & O_CREAT) || !looked_at(name, 0)) return real(name, flags, mode);
    pthread_mutex_lock(&lock);
    int was_there = access(name, F_OK) == 0;
    int fd = real(name, flags, mode), error = errno;
    if (fd >= 0 && !was_there) trace('C', name, 0, NULL, 0);
    pthread_mutex_unlock(&lock);
    errno = error;
    return fd;
}

int open(const char *name, int flags, ...) {
    mode_t mode = 0;
    if (flags & (O_CREAT | O_TMPFILE)) { va_list a; va_start(a, flags); mode = va_arg(a, mode_t); va_end(a); }
    return any_open(name, flags, mode);
}
int open64(const char *name, int flags, ...) {
    mode_t mode = 0;
    if (flags & (O_CREAT | O_TMPFILE)) { va_list a; va_start(a, flags); mode = va_arg(a, mode_t); va_end(a); }
    return any_open(name, flags, mode);
}

int unlink(const char *name) {
    REAL(unlink);
    if (!looked_at(name, 0)) return real(name);
    pthread_mutex_lock(&lock);
    int done = real(name), error = errno;
    if (done == 0) trace('U', name, 0, NULL, 0);
    pthread_mutex_unlock(&lock);
    errno = error;
    return done;
}

/* What the daemon tells: its state file, put in place of the one before. */
int rename(const char *from, const char *to) {
    REAL(rename);
    size_t len = strlen(to);
    if (setting("SHIM_TRACE") && len > 11 && strcmp(to + len - 11, "/state.json") == 0) {
        pthread_mutex_lock(&lock);
        trace('M', to, 0, NULL, 0);
        pthread_mutex_unlock(&lock);
    }
    return real(from, to);
}

__attribute__((constructor)) static void begin(void) { trace('P', "begin", 0, NULL, 0); }
__attribute__((destructor)) static void end(void) { note("end %ld writes %ld syncs\n", writes, syncs); }
