/* The C client's source, so that what is inside can be tried, and a link whose far end is in the
 * hands of a test. */
#pragma once

#include "tallymark.c"

#include <stdlib.h>

static const char *row_name = "";

#define CHECK(what) ((what) ? (void)0 : wrong(#what, __LINE__))

static void wrong(const char *what, int line)
{
    printf("%s: not so (line %d): %s\n", row_name, line, what);
    exit(1);
}

/* A box that was opened: the other end of the link is the descriptor that is returned. */
static int open_pair(tallymark *box)
{
    int ends[2];
    memset(box, 0, sizeof *box);
    CHECK(socketpair(AF_UNIX, SOCK_STREAM, 0, ends) == 0);
    never_block(ends[0]);
    never_block(ends[1]);
    box->port = ends[0];
    box->is_socket = 1;
    box->state = OPEN;
    box->is_known = 1;
    box->session = 0xDEADBEEF;
    box->identity = (tallymark_identity){.window = 440, .history = 64, .steps = 1024, .places = 32};
    return ends[1];
}
