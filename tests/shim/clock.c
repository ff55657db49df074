/* A clock that stands still, for tests/net: preloaded into a command, it makes the time of day NET_CLOCK seconds after
 * 1970. Clocks that only measure spans go on. */
#define _GNU_SOURCE
#include <dlfcn.h>
#include <stdlib.h>
#include <sys/time.h>
#include <time.h>

static int stands(time_t *at) {
    const char *text = getenv("NET_CLOCK");
    if (text == NULL) return 0;
    *at = (time_t)strtoll(text, NULL, 10);
    return 1;
}

int clock_gettime(clockid_t clock, struct timespec *out) {
    static int (*real)(clockid_t, struct timespec *);
    if (real == NULL) real = (int (*)(clockid_t, struct timespec *))dlsym(RTLD_NEXT, "clock_gettime");
    time_t at;
    if ((clock == CLOCK_REALTIME || clock == CLOCK_REALTIME_COARSE) && stands(&at)) {
        out->tv_sec = at;
        out->tv_nsec = 0;
        return 0;
    }
    return real(clock, out);
}

int gettimeofday(struct timeval *restrict out, void *restrict zone) {
    struct timespec now;
    (void)zone;
    if (clock_gettime(CLOCK_REALTIME, &now) != 0) return -1;
    out->tv_sec = now.tv_sec;
    out->tv_usec = now.tv_nsec / 1000;
    return 0;
}

time_t time(time_t *out) {
    struct timespec now;
    if (clock_gettime(CLOCK_REALTIME, &now) != 0) return (time_t)-1;
    if (out != NULL) *out = now.tv_sec;
    return now.tv_sec;
}
