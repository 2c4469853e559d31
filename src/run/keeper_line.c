/* SPDX-License-Identifier: GPL-3.0-or-later
 * run/keeper_line: the worker's end. */
#include "run/keeper_line.h"

#include "base/clock.h"
#include "base/file.h"

#include <errno.h>
#include <poll.h>
#include <pthread.h>
#include <stdlib.h>
#include <string.h>
#include <sys/socket.h>
#include <unistd.h>

#define ANSWER_MS 500

struct keeper_line {
    int fd;
    struct keeper_page *page;        /* NULL: there is no keeper */
    uint32_t number;                 /* of the last question */
    pthread_mutex_t lock;            /* one question at a time; stands share the line */
    uint32_t trust_ms[KEEPER_SLOTS]; /* as armed; each slot belongs to one thread */
};

struct keeper_line *keeper_line_new(int fd, struct keeper_page *page)
{
    struct keeper_line *k = zalloc(sizeof *k);
    k->fd = fd;
    k->page = page;
    pthread_mutex_init(&k->lock, NULL);
    return k;
}

bool keeper_line_alive(const struct keeper_line *k, double within_s)
{
    if (k->page == NULL) {
        return true;
    }
    double age_s = (double)(clock_real_ns() - atomic_load(&k->page->looked_ns)) / (double)NS_PER_S;
    return age_s <= within_s;
}

void keeper_line_free(struct keeper_line *k)
{
    if (k == NULL) {
        return;
    }
    if (k->fd >= 0) {
        close(k->fd);
    }
    pthread_mutex_destroy(&k->lock);
    free(k);
}

/* fd >= 0 travels along (SCM_RIGHTS): the keeper gets a descriptor of its own. */
static bool send_message(const struct keeper_line *k, const struct keeper_message *m, int fd,
                         int flags)
{
    union {
        struct cmsghdr align;
        char bytes[CMSG_SPACE(sizeof(int))];
    } control = {0};
    struct iovec data = {(void *)(uintptr_t)m, sizeof *m};
    struct msghdr header = {.msg_iov = &data, .msg_iovlen = 1};
    if (fd >= 0) {
        header.msg_control = control.bytes;
        header.msg_controllen = sizeof control.bytes;
        struct cmsghdr *c = CMSG_FIRSTHDR(&header);
        c->cmsg_level = SOL_SOCKET;
        c->cmsg_type = SCM_RIGHTS;
        c->cmsg_len = CMSG_LEN(sizeof(int));
        memcpy(CMSG_DATA(c), &fd, sizeof fd);
    }
    return sendmsg(k->fd, &header, flags | MSG_NOSIGNAL) == (ssize_t)sizeof *m;
}

static bool await_done(const struct keeper_line *k, const struct keeper_message *asked)
{
    struct keeper_message answer;
    struct pollfd p = {.fd = k->fd, .events = POLLIN};
    while (poll(&p, 1, ANSWER_MS) == 1) {
        ssize_t n = recv(k->fd, &answer, sizeof answer, MSG_DONTWAIT);
        if (n != (ssize_t)sizeof answer) {
            return false;
        }
        if (answer.kind == KEEPER_DONE && answer.slot == asked->slot &&
            answer.number == asked->number) {
            return true; /* anything else answers a question that was given up */
        }
    }
    return false;
}

/* A keeper that does not read must not hold its stands up either. */
static bool can_send(const struct keeper_line *k)
{
    struct pollfd p = {.fd = k->fd, .events = POLLOUT};
    return poll(&p, 1, ANSWER_MS) == 1 && (p.revents & POLLOUT) != 0;
}

static bool ask(struct keeper_line *k, struct keeper_message *m, int fd)
{
    pthread_mutex_lock(&k->lock);
    m->number = ++k->number;
    bool ok = can_send(k) && send_message(k, m, fd, MSG_DONTWAIT) && await_done(k, m);
    pthread_mutex_unlock(&k->lock);
    return ok;
}

bool keeper_line_arm(struct keeper_line *k, struct keeper_message *m, int fd, struct err *e)
{
    if (k->fd < 0) {
        return true;
    }
    if (m->slot >= KEEPER_SLOTS) {
        return err_set(e, ERR_BUG, "%s: there is no slot %u for it", m->name, m->slot);
    }
    m->kind = KEEPER_ARM;
    k->trust_ms[m->slot] = m->trust_ms;
    if (!ask(k, m, fd)) {
        return err_set(e, ERR_SYSTEM,
                       "%s: the keeper did not take the instrument over; nothing is switched on",
                       m->name);
    }
    return true;
}

bool keeper_line_disarm(struct keeper_line *k, uint32_t slot, struct err *e)
{
    struct keeper_message m = {.kind = KEEPER_DISARM, .slot = slot};
    if (k->fd >= 0 && !ask(k, &m, -1)) {
        return err_set(e, ERR_SYSTEM, "the keeper did not answer");
    }
    return true;
}

void keeper_line_beat(struct keeper_line *k, uint32_t slot, uint32_t within_ms)
{
    if (k->page != NULL && slot < KEEPER_SLOTS) {
        int64_t ms = within_ms != 0 ? within_ms : k->trust_ms[slot];
        atomic_store(&k->page->until_ns[slot], clock_real_ns() + ms * NS_PER_MS);
    }
}

void keeper_line_say(struct keeper_line *k, enum keeper_kind kind, const char *text)
{
    struct keeper_message m = {.kind = kind};
    text_format(m.off, sizeof m.off, "%s", text);
    if (k->fd >= 0) {
        (void)send(k->fd, &m, sizeof m, MSG_DONTWAIT | MSG_NOSIGNAL);
    }
}
