/* A Video4Linux camera without a kernel that knows such: answers for /dev/video0 in the process it is preloaded to.
 *
 *     gcc -shared -fPIC -O1 -o v4l2.so v4l2.c -ldl
 *     FAKE_VIDEO=FOLDER LD_PRELOAD=v4l2.so python …
 *
 * FOLDER/frame.jpg is what it sees (looked at anew for every frame), 15 times a second, as MJPG in mapped buffers
 * with monotonic time stamps. While a file of that name is in FOLDER: `unplugged`: it is not there, and whoever
 * streams gets ENODEV; `held`: another program streams, EBUSY; `frozen`: no frame comes any more. Every control
 * that is set is written to FOLDER/controls. Calls as in the kernel's "Linux Media Infrastructure userspace API".
 */
#define _GNU_SOURCE
#include <dlfcn.h>
#include <errno.h>
#include <fcntl.h>
#include <linux/videodev2.h>
#include <stdarg.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/mman.h>
#include <sys/timerfd.h>
#include <time.h>
#include <unistd.h>

enum { COLS = 1280, ROWS = 720, BUFFERS = 4, BUFFER_BYTES = 2 << 20, RATE = 15 };
static const char *DEVICE = "/dev/video0";

static int device = -1, memory = -1, queued[BUFFERS], waiting, sequence;
static struct control { unsigned id, kind; int low, high, normal, value; const char *name; } controls[] = {
    {V4L2_CID_EXPOSURE_AUTO, V4L2_CTRL_TYPE_MENU, 0, 3, 3, 3, "exposure_auto"},
    {V4L2_CID_EXPOSURE_ABSOLUTE, V4L2_CTRL_TYPE_INTEGER, 1, 5000, 157, 312, "exposure"},
    {V4L2_CID_AUTO_WHITE_BALANCE, V4L2_CTRL_TYPE_BOOLEAN, 0, 1, 1, 1, "balance_auto"},
    {V4L2_CID_WHITE_BALANCE_TEMPERATURE, V4L2_CTRL_TYPE_INTEGER, 2800, 6500, 4600, 3900, "balance"},
};

static int said(const char *name) {
    char path[512];
    snprintf(path, sizeof path, "%s/%s", getenv("FAKE_VIDEO"), name);
    return access(path, F_OK) == 0;
}

static int refuse(int why) { errno = why; return -1; }

static void tick(int run) {
    struct itimerspec every = {{0, run ? 1000000000 / RATE : 0}, {0, run ? 1000000000 / RATE : 0}};
    timerfd_settime(device, 0, &every, NULL);
}

static int opened(void) {
    if (said("unplugged")) return refuse(ENOENT);
    if (memory < 0) {
        memory = memfd_create("video", 0);
        if (ftruncate(memory, BUFFERS * BUFFER_BYTES)) return -1;
    }
    return device = timerfd_create(CLOCK_MONOTONIC, TFD_NONBLOCK | TFD_CLOEXEC);
}

static void format(struct v4l2_format *f) {
    f->fmt.pix.width = COLS, f->fmt.pix.height = ROWS, f->fmt.pix.pixelformat = V4L2_PIX_FMT_MJPEG;
    f->fmt.pix.field = V4L2_FIELD_NONE, f->fmt.pix.bytesperline = 0, f->fmt.pix.sizeimage = BUFFER_BYTES;
    f->fmt.pix.colorspace = V4L2_COLORSPACE_JPEG;
}

static int query(struct v4l2_buffer *b) {
    if (b->index >= BUFFERS) return refuse(EINVAL);
    b->length = BUFFER_BYTES, b->m.offset = b->index * BUFFER_BYTES, b->memory = V4L2_MEMORY_MMAP;
    return 0;
}

static int dequeue(struct v4l2_buffer *b) {
    unsigned long long ticks;
    char path[512];
    struct timespec now;
    if (said("frozen")) tick(0);
    if (read(device, &ticks, sizeof ticks) != sizeof ticks) return refuse(EAGAIN);
    if (!waiting) return refuse(EAGAIN);
    b->index = queued[0];
    memmove(queued, queued + 1, --waiting * sizeof *queued);
    query(b);
    snprintf(path, sizeof path, "%s/frame.jpg", getenv("FAKE_VIDEO"));
    int picture = open(path, O_RDONLY);
    char *room = mmap(NULL, BUFFER_BYTES, PROT_READ | PROT_WRITE, MAP_SHARED, memory, b->m.offset);
    ssize_t length = read(picture, room, BUFFER_BYTES);
    munmap(room, BUFFER_BYTES);
    close(picture);
    clock_gettime(CLOCK_MONOTONIC, &now);
    b->bytesused = length > 0 ? length : 0, b->sequence = sequence++, b->field = V4L2_FIELD_NONE;
    b->flags = V4L2_BUF_FLAG_TIMESTAMP_MONOTONIC | V4L2_BUF_FLAG_DONE;
    b->timestamp.tv_sec = now.tv_sec, b->timestamp.tv_usec = now.tv_nsec / 1000;
    return 0;
}

static struct control *control(unsigned id) {
    for (unsigned i = 0; i < sizeof controls / sizeof *controls; i++)
        if (controls[i].id == id) return &controls[i];
    return NULL;
}

static int set_control(struct v4l2_control *c) {
    struct control *found = control(c->id);
    char path[512];
    if (!found) return refuse(EINVAL);
    if (c->value < found->low || c->value > found->high) return refuse(ERANGE);
    found->value = c->value;
    snprintf(path, sizeof path, "%s/controls", getenv("FAKE_VIDEO"));
    FILE *log = fopen(path, "a");
    if (log) { fprintf(log, "%s %d\n", found->name, c->value); fclose(log); }
    return 0;
}

static int asked(unsigned long request, void *what) {
    if (said("unplugged")) return refuse(ENODEV);
    switch (request) {
    case VIDIOC_QUERYCAP: {
        struct v4l2_capability *c = what;
        memset(c, 0, sizeof *c);
        strcpy((char *)c->driver, "fake"), strcpy((char *)c->card, "Fake microscope"), strcpy((char *)c->bus_info, "usb-0");
        c->device_caps = V4L2_CAP_VIDEO_CAPTURE | V4L2_CAP_STREAMING;
        c->capabilities = c->device_caps | V4L2_CAP_DEVICE_CAPS;
        return 0;
    }
    case VIDIOC_G_INPUT: *(int *)what = 0; return 0;
    case VIDIOC_S_INPUT: return 0;
    case VIDIOC_ENUMINPUT: {
        struct v4l2_input *i = what;
        if (i->index) return refuse(EINVAL);
        strcpy((char *)i->name, "Camera 1"), i->type = V4L2_INPUT_TYPE_CAMERA;
        return 0;
    }
    case VIDIOC_S_FMT:
        if (said("held")) return refuse(EBUSY);
        /* fall through */
    case VIDIOC_G_FMT:
    case VIDIOC_TRY_FMT: format(what); return 0;
    case VIDIOC_G_PARM:
    case VIDIOC_S_PARM: {
        struct v4l2_streamparm *p = what;
        p->parm.capture.capability = V4L2_CAP_TIMEPERFRAME;
        p->parm.capture.timeperframe.numerator = 1, p->parm.capture.timeperframe.denominator = RATE;
        return 0;
    }
    case VIDIOC_REQBUFS: {
        struct v4l2_requestbuffers *r = what;
        if (said("held")) return refuse(EBUSY);
        if (r->memory != V4L2_MEMORY_MMAP) return refuse(EINVAL);
        if (r->count > BUFFERS) r->count = BUFFERS;
        waiting = 0;
        return 0;
    }
    case VIDIOC_QUERYBUF: return query(what);
    case VIDIOC_QBUF: queued[waiting++] = ((struct v4l2_buffer *)what)->index; return 0;
    case VIDIOC_DQBUF: return dequeue(what);
    case VIDIOC_STREAMON: tick(1); return 0;
    case VIDIOC_STREAMOFF: tick(0); waiting = 0; return 0;
    case VIDIOC_QUERYCTRL: {
        struct v4l2_queryctrl *q = what;
        struct control *found = control(q->id);
        if (!found) return refuse(EINVAL);
        q->type = found->kind, q->minimum = found->low, q->maximum = found->high, q->step = 1;
        q->default_value = found->normal, q->flags = 0;
        return 0;
    }
    case VIDIOC_G_CTRL: {
        struct v4l2_control *c = what;
        struct control *found = control(c->id);
        if (!found) return refuse(EINVAL);
        c->value = found->value;
        return 0;
    }
    case VIDIOC_S_CTRL: return set_control(what);
    }
    return refuse(ENOTTY);
}

/* what the process calls */

static int (*real_open)(const char *, int, ...), (*real_open64)(const char *, int, ...), (*real_close)(int);
static int (*real_ioctl)(int, unsigned long, ...);
static void *(*real_mmap)(void *, size_t, int, int, int, off_t), *(*real_mmap64)(void *, size_t, int, int, int, off64_t);

/* once and early: looked up in the middle of a dlopen it may wait for that for ever */
__attribute__((constructor)) static void find_real(void) {
    real_open = dlsym(RTLD_NEXT, "open"), real_open64 = dlsym(RTLD_NEXT, "open64");
    real_close = dlsym(RTLD_NEXT, "close"), real_ioctl = dlsym(RTLD_NEXT, "ioctl");
    real_mmap = dlsym(RTLD_NEXT, "mmap"), real_mmap64 = dlsym(RTLD_NEXT, "mmap64");
}

#define REAL(name) (real_##name ? real_##name : (find_real(), real_##name))

int open(const char *path, int flags, ...) {
    va_list more;
    va_start(more, flags);
    mode_t mode = flags & (O_CREAT | O_TMPFILE) ? va_arg(more, mode_t) : 0;
    va_end(more);
    return strcmp(path, DEVICE) ? REAL(open)(path, flags, mode) : opened();
}

int open64(const char *path, int flags, ...) {
    va_list more;
    va_start(more, flags);
    mode_t mode = flags & (O_CREAT | O_TMPFILE) ? va_arg(more, mode_t) : 0;
    va_end(more);
    return strcmp(path, DEVICE) ? REAL(open64)(path, flags, mode) : opened();
}

int ioctl(int fd, unsigned long request, ...) {
    va_list more;
    va_start(more, request);
    void *what = va_arg(more, void *);
    va_end(more);
    return fd == device && fd >= 0 ? asked(request, what) : REAL(ioctl)(fd, request, what);
}

void *mmap(void *at, size_t length, int protection, int flags, int fd, off_t offset) {
    return REAL(mmap)(at, length, protection, flags, fd == device && fd >= 0 ? memory : fd, offset);
}

void *mmap64(void *at, size_t length, int protection, int flags, int fd, off64_t offset) {
    return REAL(mmap64)(at, length, protection, flags, fd == device && fd >= 0 ? memory : fd, offset);
}

int close(int fd) {
    if (fd == device && fd >= 0) device = -1;
    return REAL(close)(fd);
}
