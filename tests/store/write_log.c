/* Preloaded into a process: logs every write, cut and sync of files under $WRITE_LOG_UNDER to
 * $WRITE_LOG, in order, so that a test can rebuild what a disk may hold after a power cut.
 * Record: op (1 byte: W write, T truncate, S sync, U unlink), path length (int32), offset (int64),
 * data length (int32), path, data.
 * After die_before(n) the process is killed before its n-th such step there (renames and first
 * openings count too), as by kill -9. */
#define _GNU_SOURCE
#include <dlfcn.h>
#include <fcntl.h>
#include <pthread.h>
#include <signal.h>
#include <stdarg.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/types.h>
#include <sys/uio.h>
#include <unistd.h>

static pthread_mutex_t lock = PTHREAD_MUTEX_INITIALIZER;
static int log_fd = -1;

static int steps_left = 0, steps_made = 0;

void die_before(int steps) { steps_left = steps, steps_made = 0; }
int steps(void) { return steps_made; }

static void put(char op, const char *path, int64_t offset, const void *data, int32_t length) {
    if (!getenv("WRITE_LOG")) return;
    if (log_fd < 0) log_fd = open(getenv("WRITE_LOG"), O_WRONLY | O_CREAT | O_APPEND | O_CLOEXEC, 0600);
    int32_t path_length = strlen(path);
    struct iovec parts[6] = {{&op, 1}, {&path_length, 4}, {&offset, 8}, {&length, 4},
                             {(void *)path, path_length}, {(void *)data, data ? length : 0}};
    pthread_mutex_lock(&lock);
    if (writev(log_fd, parts, 6) < 0) abort();
    pthread_mutex_unlock(&lock);
}

static int ours(const char *path) {
    const char *under = getenv("WRITE_LOG_UNDER");
    return under && !strncmp(path, under, strlen(under));
}

static void step(const char *path) {
    if (!ours(path)) return;
    steps_made++;
    if (steps_left > 0 && --steps_left == 0) kill(getpid(), SIGKILL);
}

static int path_of(int fd, char *path) {
    char link[64];
    snprintf(link, sizeof link, "/proc/self/fd/%d", fd);
    ssize_t n = readlink(link, path, 4095);
    if (n < 0) return 0;
    path[n] = 0;
    return ours(path);
}

static void step_of(int fd) {
    char path[4096];
    if (path_of(fd, path)) step(path);
}

#define REAL(name) ((__typeof__(&name))dlsym(RTLD_NEXT, #name))

ssize_t pwrite64(int fd, const void *data, size_t n, off64_t at) {
    step_of(fd);
    ssize_t done = REAL(pwrite64)(fd, data, n, at);
    char path[4096];
    if (done > 0 && path_of(fd, path)) put('W', path, at, data, done);
    return done;
}
ssize_t pwrite(int fd, const void *data, size_t n, off_t at) { return pwrite64(fd, data, n, at); }

ssize_t write(int fd, const void *data, size_t n) {
    step_of(fd);
    char path[4096];
    off_t at = lseek(fd, 0, SEEK_CUR);
    ssize_t done = REAL(write)(fd, data, n);
    if (done > 0 && at >= 0 && path_of(fd, path)) put('W', path, lseek(fd, 0, SEEK_CUR) - done, data, done);
    return done;
}

int ftruncate64(int fd, off64_t n) {
    step_of(fd);
    int done = REAL(ftruncate64)(fd, n);
    char path[4096];
    if (!done && path_of(fd, path)) put('T', path, n, NULL, 0);
    return done;
}
int ftruncate(int fd, off_t n) { return ftruncate64(fd, n); }

int fdatasync(int fd) {
    step_of(fd);
    int done = REAL(fdatasync)(fd);
    char path[4096];
    if (!done && path_of(fd, path)) put('S', path, 0, NULL, 0);
    return done;
}
int fsync(int fd) {
    step_of(fd);
    int done = REAL(fsync)(fd);
    char path[4096];
    if (!done && path_of(fd, path)) put('S', path, 0, NULL, 0);
    return done;
}
int rename(const char *from, const char *to) {
    step(to);
    return REAL(rename)(from, to);
}
int open64(const char *path, int flags, ...) {
    va_list rest;
    va_start(rest, flags);
    mode_t mode = flags & O_CREAT ? va_arg(rest, mode_t) : 0;
    va_end(rest);
    if (flags & O_CREAT && access(path, F_OK)) step(path);
    return REAL(open64)(path, flags, mode);
}
int unlink(const char *path) {
    step(path);
    int done = REAL(unlink)(path);
    if (!done && ours(path)) put('U', path, 0, NULL, 0);
    return done;
}
