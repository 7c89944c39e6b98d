/* For kernels without DMA heaps: programs that open /dev/dma_heap/NAME or /dev/udmabuf get memory files instead,
 * so that a camera stack can be run where there is neither a camera nor its kernel driver.
 *
 *     gcc -shared -fPIC -O1 -o dma_heap.so dma_heap.c -ldl;  LD_PRELOAD=dma_heap.so program
 */
#define _GNU_SOURCE
#include <dlfcn.h>
#include <errno.h>
#include <fcntl.h>
#include <linux/dma-buf.h>
#include <linux/dma-heap.h>
#include <linux/udmabuf.h>
#include <stdarg.h>
#include <stdbool.h>
#include <stdio.h>
#include <string.h>
#include <sys/ioctl.h>
#include <sys/mman.h>
#include <unistd.h>

#define HEAP_NAME "stand-in-heap"

static bool names_a_heap(const char *path)
{
    return path != NULL && (strcmp(path, "/dev/udmabuf") == 0 || strncmp(path, "/dev/dma_heap/", 14) == 0);
}

/* memfd_create leaves its name in /proc: nothing has to be remembered about a descriptor. */
static bool is_stand_in(int fd)
{
    char link[32], target[96];
    snprintf(link, sizeof link, "/proc/self/fd/%d", fd);
    ssize_t length = readlink(link, target, sizeof target - 1);
    if (length < 0)
        return false;
    target[length] = '\0';
    return strstr(target, HEAP_NAME) != NULL;
}

static mode_t mode_in(int flags, va_list rest)
{
    return (flags & (O_CREAT | O_TMPFILE)) ? va_arg(rest, mode_t) : 0;
}

#define STAND_IN_OPEN(function)                                                     \
    int function(const char *path, int flags, ...)                                  \
    {                                                                               \
        if (names_a_heap(path))                                                     \
            return memfd_create(HEAP_NAME, MFD_CLOEXEC);                            \
        va_list rest;                                                               \
        va_start(rest, flags);                                                      \
        mode_t mode = mode_in(flags, rest);                                         \
        va_end(rest);                                                               \
        int (*real)(const char *, int, ...) = dlsym(RTLD_NEXT, #function);          \
        return real(path, flags, mode);                                             \
    }

#define STAND_IN_OPENAT(function)                                                   \
    int function(int folder, const char *path, int flags, ...)                      \
    {                                                                               \
        if (names_a_heap(path))                                                     \
            return memfd_create(HEAP_NAME, MFD_CLOEXEC);                            \
        va_list rest;                                                               \
        va_start(rest, flags);                                                      \
        mode_t mode = mode_in(flags, rest);                                         \
        va_end(rest);                                                               \
        int (*real)(int, const char *, int, ...) = dlsym(RTLD_NEXT, #function);     \
        return real(folder, path, flags, mode);                                     \
    }

STAND_IN_OPEN(open)
STAND_IN_OPEN(open64)
STAND_IN_OPENAT(openat)
STAND_IN_OPENAT(openat64)

static int heap_buffer(struct dma_heap_allocation_data *wanted)
{
    int fd = memfd_create("stand-in-buffer", MFD_CLOEXEC | MFD_ALLOW_SEALING);
    if (fd < 0)
        return -1;
    if (ftruncate(fd, (off_t)wanted->len) < 0) {
        close(fd);
        return -1;
    }
    wanted->fd = (unsigned int)fd;
    return 0;
}

int ioctl(int fd, unsigned long request, ...)
{
    va_list rest;
    va_start(rest, request);
    void *argument = va_arg(rest, void *);
    va_end(rest);
    if (request == DMA_HEAP_IOCTL_ALLOC && is_stand_in(fd))
        return heap_buffer(argument);
    if (request == UDMABUF_CREATE && is_stand_in(fd))
        return dup((int)((struct udmabuf_create *)argument)->memfd);
    int (*real)(int, unsigned long, ...) = dlsym(RTLD_NEXT, "ioctl");
    int answer = real(fd, request, argument);
    bool about_buffers = request == DMA_BUF_IOCTL_SYNC || request == DMA_BUF_SET_NAME_A || request == DMA_BUF_SET_NAME_B;
    return answer < 0 && errno == ENOTTY && about_buffers ? 0 : answer; /* a memory file needs neither */
}
