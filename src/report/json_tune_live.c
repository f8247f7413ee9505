/* SPDX-License-Identifier: MIT
 * JSON of a lane that was dialled in and measured again: before, predicted, measured. dB; null = not known. */
#include "report/json_build.h"

static json_t *three(ltp_json *j, double before, double predicted, double measured, int decimals)
{
    json_t *object = json_object();
    ltp_json_put(j, object, "before", ltp_json_number(before, decimals));
    ltp_json_put(j, object, "predicted", ltp_json_number(predicted, decimals));
    ltp_json_put(j, object, "measured", ltp_json_number(measured, decimals));
    return object;
}

static json_t *knob(ltp_json *j, double from_db, double to_db)
{
    json_t *object = json_object();
    ltp_json_put_db(j, object, "from_db", from_db);
    ltp_json_put_db(j, object, "to_db", to_db);
    return object;
}

static void put_figures(ltp_json *j, json_t *lane, const lt_dialled_lane *l)
{
    const lt_tune_figures *b = &l->before, *p = &l->predicted, *m = &l->measured;
    const struct {
        const char *key;
        double before, predicted, measured;
    } rows[] = {
        {"margin_db", b->margin_db, p->margin_db, m->margin_db},
        {"safe_margin_db", b->safe_margin_db, p->safe_margin_db, m->safe_margin_db},
        {"ear_dba", b->ear_dba, p->ear_dba, m->ear_dba},
        {"operator_dba", b->operator_dba, p->operator_dba, m->operator_dba},
        {"property_line_dba", b->property_line_dba, p->property_line_dba, m->property_line_dba},
        {"echo_telr_db", b->echo_telr_db, p->echo_telr_db, m->echo_telr_db},
    };
    json_t *sii = json_object();
    ltp_json_put(j, sii, "outbound", three(j, b->sii_outbound, p->sii_outbound, m->sii_outbound, LTP_DECIMALS_INDEX));
    ltp_json_put(j, sii, "inbound", three(j, b->sii_inbound, p->sii_inbound, m->sii_inbound, LTP_DECIMALS_INDEX));
    ltp_json_put(j, lane, "sii", sii);
    for (size_t i = 0; i < sizeof rows / sizeof *rows; i++)
        ltp_json_put(j, lane, rows[i].key,
                     three(j, rows[i].before, rows[i].predicted, rows[i].measured, LTP_DECIMALS_DB));
}

static json_t *moved(ltp_json *j, const lt_dialled_lane *l)
{
    json_t *object = json_object();
    ltp_json_put_db(j, object, "outbound_db", l->moved_db[LT_PATH_OUTBOUND]);
    ltp_json_put_db(j, object, "inbound_db", l->moved_db[LT_PATH_INBOUND]);
    ltp_json_put_db(j, object, "lane_coupling_db", l->moved_db[LT_PATH_LANE_COUPLING]);
    ltp_json_put_db(j, object, "counter_coupling_db", l->moved_db[LT_PATH_COUNTER_COUPLING]);
    ltp_json_put_db(j, object, "loop_db", l->loop_moved_db);
    return object;
}

static json_t *unmet(ltp_json *j, const lt_dialled_lane *l)
{
    json_t *array = json_array();
    for (size_t i = 0; i < l->unmet_count; i++) {
        json_t *object = json_object();
        ltp_json_put(j, object, "limit", ltp_json_text(lt_limit_name(l->unmet[i].limit)));
        ltp_json_put_db(j, object, "by_db", l->unmet[i].by_db);
        ltp_json_append(j, array, object);
    }
    return array;
}

static json_t *lane_object(ltp_json *j, const lt_dialled_lane *l)
{
    json_t *lane = json_object(), *conditions = json_array(), *missed = json_array();
    ltp_json_put(j, lane, "lane", json_integer((json_int_t)l->lane));
    ltp_json_put(j, lane, "name", ltp_json_text(l->name));
    ltp_json_put(j, lane, "dialled", json_boolean(l->dialled));
    ltp_json_put(j, lane, "measured_again", json_boolean(l->measured_again));
    ltp_json_put(j, lane, "outbound", knob(j, l->outbound_from_db, l->outbound_to_db));
    ltp_json_put(j, lane, "inbound", knob(j, l->inbound_from_db, l->inbound_to_db));
    put_figures(j, lane, l);
    for (size_t i = 0; i < l->condition_count; i++)
        ltp_json_append(j, conditions, ltp_json_text(l->conditions[i]));
    ltp_json_put(j, lane, "conditions", conditions);
    for (size_t i = 0; i < l->missed_count; i++)
        ltp_json_append(j, missed, ltp_json_text(l->missed[i]));
    ltp_json_put(j, lane, "not_measured_again", missed);
    ltp_json_put(j, lane, "moved", moved(j, l));
    ltp_json_put(j, lane, "stable", l->measured_again ? json_boolean(!l->unstable) : json_null());
    ltp_json_put(j, lane, "unmet", unmet(j, l));
    ltp_json_put(j, lane, "notes", ltp_json_notes(j, &l->notes, NULL));
    return lane;
}

json_t *ltp_json_dialled(ltp_json *j, const lt_dialled *d)
{
    json_t *live = json_object(), *lanes = json_array();
    ltp_json_put(j, live, "visit_before", ltp_json_text(d->visit_before));
    ltp_json_put(j, live, "visit_after", d->visit_after != NULL ? ltp_json_text(d->visit_after) : json_null());
    for (size_t i = 0; i < d->count; i++)
        ltp_json_append(j, lanes, lane_object(j, &d->lanes[i]));
    ltp_json_put(j, live, "lanes", lanes);
    return live;
}
