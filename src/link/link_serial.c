/* SPDX-License-Identifier: GPL-3.0-or-later
 * link/link_serial: serial ports through libserialport: finding, opening,
 * configuring. Reading and writing are poll() on its handle, in link.c. */
#include "link/link_backend.h"

#include <errno.h>
#include <fcntl.h>
#include <libserialport.h>
#include <string.h>
#include <termios.h>

const char *link_serial_words(int code)
{
    switch ((enum sp_return)code) {
    case SP_OK:
        return "no error";
    case SP_ERR_ARG:
        return "that is no valid argument";
    case SP_ERR_FAIL:
        return "the system refused it";
    case SP_ERR_MEM:
        return "out of memory";
    case SP_ERR_SUPP:
        return "that is not supported here";
    }
    return "unknown reason";
}

/* libserialport's codes, in our words. The text of the operating system is
 * there only for SP_ERR_FAIL. */
static bool fail_serial(const struct link *l, enum sp_return code, const char *what, struct err *e)
{
    if (code == SP_ERR_FAIL && sp_last_error_code() != 0) {
        int errno_value = sp_last_error_code();
        if (strcmp(what, "open") == 0) {
            return link_fail_open(l, errno_value, e);
        }
        return err_set(e, ERR_LINK_LOST, "%s: cannot set %s: %s", l->address, what,
                       strerror(errno_value));
    }
    if (code == SP_ERR_SUPP) {
        return err_set(e, ERR_CONFIG, "%s: this port cannot do the wanted %s", l->address, what);
    }
    if (code == SP_ERR_ARG && strcmp(what, "open") == 0) {
        return err_set(e, ERR_LINK_LOST,
                       "%s: this is not a serial port that the system knows; `ampledger ports` "
                       "lists what is there (a pseudo-terminal is opened with tty:)",
                       l->address);
    }
    return err_set(e, code == SP_ERR_MEM ? ERR_SYSTEM : ERR_CONFIG,
                   "%s: the wanted %s is not possible: %s", l->address, what,
                   link_serial_words(code));
}

static enum sp_parity parity_of(char c)
{
    return c == 'e' ? SP_PARITY_EVEN : c == 'o' ? SP_PARITY_ODD : SP_PARITY_NONE;
}

/* libserialport takes several impossible values for "leave it as it is". */
static bool check_settings(const struct link *l, const struct link_settings *s, struct err *e)
{
    const char *wrong = s->baud <= 0                           ? "a baud rate above 0"
                        : s->bits < 5 || s->bits > 8           ? "5 to 8 bits"
                        : s->stop_bits < 1 || s->stop_bits > 2 ? "1 or 2 stop bits"
                        : s->parity != 'n' && s->parity != 'e' && s->parity != 'o'
                            ? "parity n, e or o"
                        : s->flow > FLOW_XON_XOFF ? "a known kind of flow control"
                                                  : NULL;
    return wrong == NULL || err_set(e, ERR_CONFIG, "%s: a serial port wants %s", l->address, wrong);
}

static enum sp_flowcontrol flow_of(enum link_flow flow)
{
    static const enum sp_flowcontrol flows[] = {
        [FLOW_NONE] = SP_FLOWCONTROL_NONE,
        [FLOW_RTS_CTS] = SP_FLOWCONTROL_RTSCTS,
        [FLOW_DTR_DSR] = SP_FLOWCONTROL_DTRDSR,
        [FLOW_XON_XOFF] = SP_FLOWCONTROL_XONXOFF,
    };
    return flows[flow];
}

/* Flow control is set before DTR and RTS: setting it may take the lines over,
 * and a line that toggles resets some instruments. */
static bool configure(struct link *l, const struct link_settings *s, struct err *e)
{
    struct sp_port *p = l->port;
    enum sp_return r = SP_OK;
    if ((r = sp_set_baudrate(p, s->baud)) != SP_OK) {
        return fail_serial(l, r, "baud rate", e);
    }
    if ((r = sp_set_bits(p, s->bits)) != SP_OK) {
        return fail_serial(l, r, "number of bits", e);
    }
    if ((r = sp_set_parity(p, parity_of(s->parity))) != SP_OK) {
        return fail_serial(l, r, "parity", e);
    }
    if ((r = sp_set_stopbits(p, s->stop_bits)) != SP_OK) {
        return fail_serial(l, r, "number of stop bits", e);
    }
    if ((r = sp_set_flowcontrol(p, flow_of(s->flow))) != SP_OK) {
        return fail_serial(l, r, "flow control", e);
    }
    if (s->dtr >= 0 && (r = sp_set_dtr(p, s->dtr ? SP_DTR_ON : SP_DTR_OFF)) != SP_OK) {
        return fail_serial(l, r, "DTR", e);
    }
    if (s->rts >= 0 && (r = sp_set_rts(p, s->rts ? SP_RTS_ON : SP_RTS_OFF)) != SP_OK) {
        return fail_serial(l, r, "RTS", e);
    }
    sp_flush(p, SP_BUF_INPUT);
    return true;
}

/* What libserialport 0.1.1 does not do, or not as we need it:
 * - It asks the system to drop DTR when the port is closed (HUPCL). Then a
 *   restart of this program would be a pulse on DTR, which resets many boards
 *   and sends some instruments back to local. Opening raises DTR and RTS: the
 *   kernel does that before anybody can ask it not to; a line that is wanted off
 *   is up for some milliseconds then.
 * - It puts CRTSCTS into c_iflag, where it means nothing: RTS/CTS would be
 *   neither switched on, nor off when somebody left it on. */
static bool finish(const struct link *l, const struct link_settings *s, struct err *e)
{
    struct termios t, now;
    const tcflag_t wanted = s->flow == FLOW_RTS_CTS ? CRTSCTS : 0;
    if (tcgetattr(l->fd, &t) != 0) {
        return err_set_errno(e, errno, "%s: read the port's settings", l->address);
    }
    t.c_iflag &= ~CRTSCTS;
    t.c_cflag = (t.c_cflag & ~(tcflag_t)HUPCL & ~CRTSCTS) | wanted;
    if (tcsetattr(l->fd, TCSANOW, &t) != 0 || tcgetattr(l->fd, &now) != 0) {
        return err_set_errno(e, errno, "%s: set flow control", l->address);
    }
    return (now.c_cflag & CRTSCTS) == wanted ||
           err_set(e, ERR_CONFIG, "%s: this port cannot do the wanted flow control", l->address);
}

bool link_open_serial(struct link *l, const struct link_settings *s, struct err *e)
{
    if (!check_settings(l, s, e)) {
        return false;
    }
    enum sp_return r = sp_get_port_by_name(l->device, &l->port);
    if (r == SP_OK) {
        r = sp_open(l->port, SP_MODE_READ_WRITE);
    }
    if (r != SP_OK) {
        return fail_serial(l, r, "open", e);
    }
    if (sp_get_port_handle(l->port, &l->fd) != SP_OK) {
        return err_set(e, ERR_BUG, "%s: libserialport gives no descriptor", l->address);
    }
    /* libserialport 0.1.1 lets its descriptor through to programs we start. */
    if (fcntl(l->fd, F_SETFD, FD_CLOEXEC) != 0) {
        return err_set_errno(e, errno, "%s: close on exec", l->address);
    }
    return link_lock(l, e) && configure(l, s, e) && finish(l, s, e);
}
