/* Makes writes to a site book fail from the n-th on, as a full disk, a file turned read-only or a
   share that vanished would. Loaded with LD_PRELOAD; armed from within the process. */
#define _GNU_SOURCE
#include <dlfcn.h>
#include <errno.h>
#include <limits.h>
#include <stdio.h>
#include <string.h>
#include <sys/types.h>
#include <unistd.h>

static long left = -1;   /* calls that still succeed; -1: not armed */
static int with = EIO;   /* how the others fail */
static long seen = 0;

void failing_writes_arm(long calls, int error) { left = calls; with = error; seen = 0; }
long failing_writes_seen(void) { return seen; }

static int is_book(int fd) {
    char link[64], path[PATH_MAX];
    ssize_t size;
    snprintf(link, sizeof link, "/proc/self/fd/%d", fd);
    size = readlink(link, path, sizeof path - 1);
    if (size <= 0) return 0;
    path[size] = 0;
    return strstr(path, ".gpkg") != NULL;
}

static int fails(int fd) {
    if (left < 0 || !is_book(fd)) return 0;
    seen++;
    if (seen <= left) return 0;
    errno = with;
    return 1;
}

#define REAL(type, name, ...) static type (*real)(__VA_ARGS__); \
    if (!real) real = (type (*)(__VA_ARGS__))dlsym(RTLD_NEXT, name)

ssize_t pwrite(int fd, const void *data, size_t size, off_t at) {
    REAL(ssize_t, "pwrite", int, const void *, size_t, off_t);
    return fails(fd) ? -1 : real(fd, data, size, at);
}
ssize_t pwrite64(int fd, const void *data, size_t size, off64_t at) {
    REAL(ssize_t, "pwrite64", int, const void *, size_t, off64_t);
    return fails(fd) ? -1 : real(fd, data, size, at);
}
ssize_t write(int fd, const void *data, size_t size) {
    REAL(ssize_t, "write", int, const void *, size_t);
    return fails(fd) ? -1 : real(fd, data, size);
}
int fsync(int fd) { REAL(int, "fsync", int); return fails(fd) ? -1 : real(fd); }
int fdatasync(int fd) { REAL(int, "fdatasync", int); return fails(fd) ? -1 : real(fd); }
int ftruncate(int fd, off_t size) {
    REAL(int, "ftruncate", int, off_t);
    return fails(fd) ? -1 : real(fd, size);
}
int ftruncate64(int fd, off64_t size) {
    REAL(int, "ftruncate64", int, off64_t);
    return fails(fd) ? -1 : real(fd, size);
}
