/* The fields of an order, for the decoder. Made from the specification by `python -m conformance.publish.firmware`;
 * do not edit. */

enum {YW_FIELD_NUMBER = 0, YW_FIELD_WORD = 1, YW_FIELD_LABEL = 2, YW_FIELD_SIGNED = 3, YW_FIELD_TARGET = 4, YW_FIELD_INPUTS = 5};
/* Where a field is kept: two that no order has together share a place. */
enum {YW_NUMBER_OF_BOOT = 0, YW_NUMBER_OF_ID = 1, YW_NUMBER_OF_ACT = 2, YW_NUMBER_OF_DEADLINE = 3, YW_NUMBER_OF_FROM_SLOT = 4, YW_NUMBER_OF_TO_SLOT = 5, YW_NUMBER_OF_ARRIVAL = 6, YW_NUMBER_OF_BERTH_BOOT = 7, YW_NUMBER_OF_STOP = 8, YW_NUMBER_OF_SHUTTLE_BOOT = 9, YW_NUMBER_OF_REF = 3, YW_NUMBER_OF_TOKEN = 3, YW_NUMBER_OF_FAULTS = 3, YW_NUMBER_OF_FOUND = 4, YW_NUMBER_OF_HOLDS = 3, YW_NUMBER_OF_UPTIME = 3};
enum {YW_LABEL_OF_FROM = 0, YW_LABEL_OF_TO = 1, YW_LABEL_OF_BOX = 2, YW_LABEL_OF_PLACE = 0, YW_LABEL_OF_TRAIN = 0};
#define YW_NUMBERS 10
#define YW_LABELS 3
#define YW_FIELDS 24
#define YW_TARGETS_MOST 3
#define YW_INPUTS_MOST 10
#define YW_BOX_LENGTH 12
#define YW_TRAIN_LENGTH 8
#define YW_SENSORS 11

/* Kind and limit of each CBOR key, and where it is kept. */
static const uint8_t yw_fields[YW_FIELDS][2] YW_FLASH = {
    {YW_FIELD_NUMBER << 4 | 1, 0}, /* boot */
    {YW_FIELD_NUMBER << 4 | 3, 1}, /* id */
    {YW_FIELD_WORD << 4 | 14, 2}, /* act */
    {YW_FIELD_NUMBER << 4 | 2, 3}, /* deadline */
    {YW_FIELD_LABEL << 4 | 8, 0}, /* from */
    {YW_FIELD_NUMBER << 4 | 0, 4}, /* from_slot */
    {YW_FIELD_LABEL << 4 | 8, 1}, /* to */
    {YW_FIELD_NUMBER << 4 | 0, 5}, /* to_slot */
    {YW_FIELD_LABEL << 4 | 12, 2}, /* box */
    {YW_FIELD_SIGNED << 4 | 0, 0}, /* reading */
    {YW_FIELD_NUMBER << 4 | 1, 6}, /* arrival */
    {YW_FIELD_NUMBER << 4 | 1, 7}, /* berth_boot */
    {YW_FIELD_NUMBER << 4 | 1, 8}, /* stop */
    {YW_FIELD_NUMBER << 4 | 1, 9}, /* shuttle_boot */
    {YW_FIELD_TARGET << 4 | 3, 0}, /* target */
    {YW_FIELD_NUMBER << 4 | 3, 3}, /* ref */
    {YW_FIELD_NUMBER << 4 | 2, 3}, /* token */
    {YW_FIELD_NUMBER << 4 | 1, 3}, /* faults */
    {YW_FIELD_WORD << 4 | 1, 4}, /* found */
    {YW_FIELD_LABEL << 4 | 8, 0}, /* place */
    {YW_FIELD_INPUTS << 4 | 10, 0}, /* inputs */
    {YW_FIELD_NUMBER << 4 | 1, 3}, /* holds */
    {YW_FIELD_NUMBER << 4 | 2, 3}, /* uptime */
    {YW_FIELD_LABEL << 4 | 8, 0}, /* train */
};

/* By act: the keys that it needs, and those that it takes. */
static const uint32_t yw_acts[15][2] YW_FLASH = {
    {0x010004UL, 0x010004UL}, /* ask */
    {0x000007UL, 0x010007UL}, /* claim */
    {0x000004UL, 0x010004UL}, /* hold */
    {0x200007UL, 0x200007UL}, /* resume */
    {0x008007UL, 0x008007UL}, /* cancel */
    {0x020007UL, 0x0E0007UL}, /* reset-fault */
    {0x0001CFUL, 0x003FFFUL}, /* transfer */
    {0x00000FUL, 0x00000FUL}, /* home */
    {0x00000FUL, 0x00000FUL}, /* park */
    {0x00400FUL, 0x00400FUL}, /* jog */
    {0x00000FUL, 0x80000FUL}, /* admit */
    {0x00000FUL, 0x00000FUL}, /* depart */
    {0x00004FUL, 0x00004FUL}, /* run */
    {0x100007UL, 0x100007UL}, /* stimulus */
    {0x400007UL, 0x400007UL}, /* set-uptime */
};

/* Keys that come all or not at all. */
static const uint32_t yw_together[3] YW_FLASH = {0x000E00UL, 0x000030UL, 0x003000UL};

/* Acts as a mask: the jobs, and by role what it takes. */
#define YW_JOB_ACTS 0x1FC0U
#define YW_ACTS_OF_CRANE 0x63FFU
#define YW_ACTS_OF_BERTH 0x6C3FU
#define YW_ACTS_OF_SHUTTLE 0x703FU
