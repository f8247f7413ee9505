/* SPDX-License-Identifier: MIT
 * Which visit is meant: a path into the site, a date, or the site itself. */
#include "base/alloc.h"
#include "site/words.h"

#include <lanetune/site.h>

#include <stdio.h>
#include <string.h>
#include <sys/stat.h>

static bool is_there(const char *dir, const char *name)
{
    char path[LTP_SITE_PATH_MAX];
    struct stat st;
    return ltp_site_path(path, NULL, "%s/%s", dir, name) == LT_OK && stat(path, &st) == 0;
}

static lt_status set_dir(lt_visit_place *out, const char *dir, size_t length, lt_error *err)
{
    while (length > 1 && dir[length - 1] == '/')
        length--;
    if (length >= sizeof out->dir)
        return ltp_fail(err, LT_E_ARG, "%.60s...: the path is too long; go into its folder first", dir);
    if (length == 0)
        (void)snprintf(out->dir, sizeof out->dir, ".");
    else
        (void)snprintf(out->dir, sizeof out->dir, "%.*s", (int)length, dir);
    return LT_OK;
}

/* SITE/visits/DATE[/...]: the last "visits" with a name behind it that is a visit's. */
static bool split(const char *visit, size_t *dir_length, char date[32])
{
    bool found = false;
    for (const char *p = visit; (p = strstr(p, "visits/")) != NULL; p += 7) {
        char name[64];
        if (p != visit && p[-1] != '/')
            continue;
        const char *rest = p + 7 + strspn(p + 7, "/");
        const size_t length = strcspn(rest, "/");
        if (length == 0 || length >= 32)
            continue;
        (void)snprintf(name, sizeof name, "%.*s", (int)length, rest);
        (void)snprintf(date, 32, "%.31s", name);
        *dir_length = (size_t)(p - visit);
        found = true;
    }
    return found;
}

/* The name of the visit must be there; the message of lt_visit_load() says which ones are. */
static lt_status check(lt_visit_place *p, const char *date, lt_error *err)
{
    lt_visit *v = NULL;
    const lt_status st = lt_visit_load(p->dir, date, &v, err);
    if (st == LT_OK)
        (void)snprintf(p->date, sizeof p->date, "%s", v->date);
    lt_visit_free(v);
    return st;
}

lt_status lt_visit_place_find(const char *visit, const char *site, lt_visit_place *out, lt_error *err)
{
    size_t length = 0;
    char date[32];
    *out = (lt_visit_place){0};
    if (visit[0] == '\0')
        return ltp_fail(err, LT_E_ARG, "the name of a visit is empty; give SITE/visits/DATE");
    if (split(visit, &length, date)) {
        const lt_status st = set_dir(out, visit, length, err);
        return st == LT_OK ? check(out, date, err) : st;
    }
    if (site != NULL) {
        const lt_status st = set_dir(out, site, strlen(site), err);
        return st == LT_OK ? check(out, visit, err) : st;
    }
    if (is_there(visit, "site.yaml") || is_there(visit, "visits")) {
        const lt_status st = set_dir(out, visit, strlen(visit), err);
        return st == LT_OK ? check(out, NULL, err) : st;
    }
    return ltp_fail(err, LT_E_ARG, "%s: this is no visit; give SITE/visits/DATE, or --site SITE and the date", visit);
}

lt_status lt_visit_place_before(const char *site, const char *date, lt_visit_place *out, lt_error *err)
{
    char **list = NULL;
    size_t count = 0;
    *out = (lt_visit_place){0};
    lt_status st = lt_visit_list(site, &list, &count, err);
    if (st == LT_OK)
        st = set_dir(out, site, strlen(site), err);
    for (size_t i = 0; i < count && st == LT_OK && strcmp(list[i], date) < 0; i++)
        (void)snprintf(out->date, sizeof out->date, "%.31s", list[i]);
    lt_visit_list_free(list, count);
    return st;
}

lt_status lt_visit_place_last_two(const char *site, lt_visit_place *before, lt_visit_place *after, lt_error *err)
{
    char **list = NULL;
    size_t count = 0;
    *before = *after = (lt_visit_place){0};
    lt_status st = lt_visit_list(site, &list, &count, err);
    if (st == LT_OK && count < 2)
        st = ltp_fail(err, LT_E_ARG, "%s: it has %zu visit%s, and comparing needs two; give a visit of another folder",
                      site, count, count == 1 ? "" : "s");
    if (st == LT_OK)
        st = set_dir(before, site, strlen(site), err);
    if (st == LT_OK) {
        *after = *before;
        (void)snprintf(before->date, sizeof before->date, "%.31s", list[count - 2]);
        (void)snprintf(after->date, sizeof after->date, "%.31s", list[count - 1]);
    }
    lt_visit_list_free(list, count);
    return st;
}
