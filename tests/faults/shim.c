/* A disk and a wall clock that misbehave on command, for one process: LD_PRELOAD=shim.so FAULTS=control.
   The control file is shared memory; its layout is struct control, which shim.py writes. */
#define _GNU_SOURCE
#include <dlfcn.h>
#include <errno.h>
#include <fcntl.h>
#include <stdarg.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/mman.h>
#include <sys/time.h>
#include <time.h>
#include <unistd.h>

struct control {
    int64_t offset_s;  /* added to the wall clock */
    int32_t error;     /* errno of every write below prefix, 0: none */
    int32_t sync_ms;   /* a sync below prefix takes so much longer */
    int32_t syncing;   /* how many slow syncs are going on */
    int32_t refused;   /* how many calls got the error */
    char prefix[256];
};

static volatile struct control *control;

__attribute__((constructor)) static void begin(void) {
    const char *name = getenv("FAULTS");
    int fd = name ? open(name, O_RDWR) : -1;
    if (fd < 0) return;
    void *at = mmap(NULL, sizeof(struct control), PROT_READ | PROT_WRITE, MAP_SHARED, fd, 0);
    if (at != MAP_FAILED) control = at;
}

static int below(const char *path) {
    const char *prefix = (const char *)control->prefix;
    return prefix[0] && strncmp(path, prefix, strlen(prefix)) == 0;
}

static int fd_below(int fd) {
    char link[40], path[512];
    snprintf(link, sizeof link, "/proc/self/fd/%d", fd);
    ssize_t n = readlink(link, path, sizeof path - 1);
    if (n < 0) return 0;
    path[n] = 0;
    return below(path);
}

static int refused(int fd) {
    if (!control || !control->error || !fd_below(fd)) return 0;
    __atomic_fetch_add(&control->refused, 1, __ATOMIC_SEQ_CST);
    errno = control->error;
    return 1;
}

#define NEXT(name) ((__typeof__(&name))dlsym(RTLD_NEXT, #name))

ssize_t write(int fd, const void *data, size_t size) {
    return refused(fd) ? -1 : NEXT(write)(fd, data, size);
}
ssize_t pwrite(int fd, const void *data, size_t size, off_t at) {
    return refused(fd) ? -1 : NEXT(pwrite)(fd, data, size, at);
}
ssize_t pwrite64(int fd, const void *data, size_t size, off64_t at) {
    return refused(fd) ? -1 : NEXT(pwrite64)(fd, data, size, at);
}
int ftruncate(int fd, off_t size) { return refused(fd) ? -1 : NEXT(ftruncate)(fd, size); }
int ftruncate64(int fd, off64_t size) { return refused(fd) ? -1 : NEXT(ftruncate64)(fd, size); }

static int slow_sync(int fd, int (*real)(int)) {
    if (refused(fd)) return -1;
    if (control && control->sync_ms && fd_below(fd)) {
        __atomic_fetch_add(&control->syncing, 1, __ATOMIC_SEQ_CST);
        usleep(1000u * (unsigned)control->sync_ms);
        __atomic_fetch_sub(&control->syncing, 1, __ATOMIC_SEQ_CST);
    }
    return real(fd);
}
int fsync(int fd) { return slow_sync(fd, NEXT(fsync)); }
int fdatasync(int fd) { return slow_sync(fd, NEXT(fdatasync)); }

#define OPEN(name)                                                            \
    int name(const char *path, int flags, ...) {                              \
        va_list more;                                                         \
        va_start(more, flags);                                                \
        mode_t mode = (flags & (O_CREAT | O_TMPFILE)) ? va_arg(more, mode_t) : 0; \
        va_end(more);                                                         \
        if (control && control->error && (flags & O_ACCMODE) != O_RDONLY && below(path)) { \
            errno = control->error;                                           \
            return -1;                                                        \
        }                                                                     \
        return NEXT(name)(path, flags, mode);                                 \
    }
OPEN(open)
OPEN(open64)

int clock_gettime(clockid_t which, struct timespec *now) {
    int failed = NEXT(clock_gettime)(which, now);
    if (!failed && control && (which == CLOCK_REALTIME || which == CLOCK_REALTIME_COARSE))
        now->tv_sec += control->offset_s;
    return failed;
}
int gettimeofday(struct timeval *restrict now, void *restrict zone) {
    int failed = NEXT(gettimeofday)(now, zone);
    if (!failed && control) now->tv_sec += control->offset_s;
    return failed;
}
time_t time(time_t *out) {
    struct timespec now;
    clock_gettime(CLOCK_REALTIME, &now);
    if (out) *out = now.tv_sec;
    return now.tv_sec;
}
