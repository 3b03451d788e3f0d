// The wire against the same vectors as the host's own reader (../vectors).
#include <cstdlib>

#include "check.h"
#include "lines.h"

using coilbench::LineQueue;
using coilbench::RequestReader;

static std::string drain(LineQueue& queue) {
  std::string text;
  while (!queue.empty()) {
    text += static_cast<char>(queue.take());
  }
  return text;
}

static uint32_t hex(const std::string& digits) {
  return static_cast<uint32_t>(std::strtoul(digits.c_str(), nullptr, 16));
}

static uint32_t decimal(const std::string& digits) {
  return static_cast<uint32_t>(std::strtoul(digits.c_str(), nullptr, 10));
}

TEST(crc_vectors) {
  for (const auto& row : check::records("crc.csv")) {
    uint16_t crc = coilbench::kCrcStart;
    for (const char byte : row[0]) {
      crc = coilbench::crc_add(crc, static_cast<uint8_t>(byte));
    }
    CHECK_EQUAL(crc, hex(row[1]));
  }
}

TEST(sample_vectors) {
  for (const auto& row : check::records("samples.csv")) {
    const coilbench::Sample sample = {static_cast<uint16_t>(decimal(row[0])), decimal(row[1]),
                                      std::atoi(row[3].c_str()), std::atoi(row[4].c_str()),
                                      static_cast<uint8_t>(hex(row[5]))};
    LineQueue queue;
    CHECK(coilbench::send_sample(queue, sample));
    const std::string line = drain(queue);
    CHECK_EQUAL(line, row[6] + "\n");
    CHECK_EQUAL(line.size(), 42u);
  }
}

TEST(tally_vectors) {
  for (const auto& row : check::records("tallies.csv")) {
    const coilbench::Tally tally = {decimal(row[2]), decimal(row[3]), decimal(row[4]),
                                    decimal(row[5])};
    LineQueue queue;
    CHECK(coilbench::send_tally(queue, hex(row[0]), decimal(row[1]), tally));
    CHECK_EQUAL(drain(queue), row[6] + "\n");
  }
}

TEST(fault_vectors) {
  for (const auto& row : check::records("faults.csv")) {
    LineQueue queue;
    CHECK(coilbench::send_fault(queue, hex(row[0]), decimal(row[1]),
                                static_cast<uint8_t>(hex(row[2])), row[3] == "1",
                                static_cast<uint16_t>(decimal(row[4]))));
    CHECK_EQUAL(drain(queue), row[5] + "\n");
  }
}

TEST(answer_vectors) {
  for (const auto& row : check::records("answers.csv")) {
    LineQueue queue;
    CHECK(coilbench::send_answer(queue, static_cast<uint8_t>(hex(row[0])), row[1].c_str(),
                                 row[2] == "ok"));
    CHECK_EQUAL(drain(queue), row[3] + "\n");
  }
}

// Only the hello that is ours in every key; the others show what a receiver must bear.
TEST(hello_vector) {
  const auto row = check::records("hellos.csv")[0];
  CHECK_EQUAL(row[1], std::string(coilbench::kFirmware));
  const coilbench::Identity who = {hex(row[2].substr(0, 8)), hex(row[2].substr(8)), hex(row[3])};
  const coilbench::Settings settings = {static_cast<uint16_t>(decimal(row[4])), 128, 250000,
                                        row[5].c_str(), row[6].c_str()};
  LineQueue queue;
  CHECK(coilbench::send_hello(queue, who, settings));
  CHECK_EQUAL(drain(queue), row[7] + "\n");
}

TEST(hello_without_scale) {
  LineQueue queue;
  CHECK(coilbench::send_hello(queue, {0, 1, 2}, {10, 64, 250000, "none", ""}));
  CHECK(drain(queue).find("um_per_count") == std::string::npos);
}

static RequestReader::Outcome feed(RequestReader& reader, const std::string& bytes) {
  RequestReader::Outcome last = RequestReader::kNothing;
  for (const char byte : bytes) {
    CHECK_EQUAL(last, RequestReader::kNothing);
    last = reader.feed(static_cast<uint8_t>(byte));
  }
  return last;
}

TEST(request_vectors) {
  RequestReader reader;
  for (const auto& row : check::records("requests.csv")) {
    CHECK_EQUAL(feed(reader, row[3] + "\n"), RequestReader::kRequest);
    CHECK_EQUAL(reader.tag(), hex(row[0]));
    CHECK_EQUAL(std::string(reader.word()), row[1]);
  }
}

TEST(bad_request_vectors) {
  const auto good = check::records("requests.csv")[0];
  int seen = 0;
  for (const auto& row : check::records("bad_lines.csv")) {
    if (row[0] != "rig") {
      continue;
    }
    ++seen;
    RequestReader reader;
    CHECK_EQUAL(feed(reader, check::from_hex(row[1])), RequestReader::kUnreadable);
    CHECK_EQUAL(feed(reader, good[3] + "\n"), RequestReader::kRequest);  // and the next is right
  }
  CHECK(seen >= 15);
}

// Every single-byte damage of a request is refused.
TEST(damaged_requests) {
  const std::string good = check::records("requests.csv")[0][3] + "\n";
  for (size_t at = 0; at + 1 < good.size(); ++at) {
    for (int byte = 0; byte < 256; ++byte) {
      if (byte == '\n' || byte == static_cast<uint8_t>(good[at])) {
        continue;
      }
      std::string bad = good;
      bad[at] = static_cast<char>(byte);
      RequestReader reader;
      CHECK_EQUAL(feed(reader, bad), RequestReader::kUnreadable);
    }
  }
}

TEST(queue_takes_a_line_whole_or_not_at_all) {
  LineQueue queue;
  CHECK_EQUAL(static_cast<int>(queue.room()), 255);
  int taken = 0;
  const coilbench::Sample sample = {1, 2, 3, 4, 5};
  while (taken < 100 && coilbench::send_sample(queue, sample)) {
    ++taken;
  }
  CHECK_EQUAL(taken, 6);
  CHECK_EQUAL(static_cast<int>(queue.room()), 255 - 6 * 42);
  CHECK_EQUAL(drain(queue).size(), 6u * 42);
  // Round and round: the indices wrap inside a line.
  for (int i = 0; i < 100; ++i) {
    CHECK(coilbench::send_sample(queue, sample));
    CHECK_EQUAL(drain(queue).size(), 42u);
  }
}

TEST(queue_may_be_full_to_the_last_byte) {
  LineQueue queue;
  for (int i = 0; i < 255; ++i) {
    queue.put('x');
  }
  CHECK(queue.commit());
  CHECK_EQUAL(static_cast<int>(queue.room()), 0);
  queue.put('y');
  CHECK(!queue.commit());
  CHECK_EQUAL(drain(queue), std::string(255, 'x'));
}
