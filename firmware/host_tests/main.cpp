// Runs the tests of the portable core: host_tests VECTORS [-v]
#include <cstdlib>
#include <fstream>

#include "check.h"

namespace check {

static int failures = 0;
static std::string vector_folder;

std::vector<Test>& tests() {
  static std::vector<Test> all;
  return all;
}

const std::string& vectors() { return vector_folder; }

void fail(const char* file, int line, const std::string& what) {
  ++failures;
  std::cerr << file << ":" << line << ": " << what << "\n";
}

static std::vector<std::string> split(const std::string& line) {
  std::vector<std::string> fields;
  std::stringstream rest(line);
  for (std::string field; std::getline(rest, field, ',');) {
    fields.push_back(field);
  }
  return fields;
}

std::vector<std::vector<std::string>> records(const std::string& name) {
  std::ifstream file(vector_folder + "/" + name);
  std::vector<std::vector<std::string>> rows;
  bool named = false;
  for (std::string line; std::getline(file, line);) {
    if (line.empty() || line[0] == '#') {
      continue;
    }
    if (named) {
      rows.push_back(split(line));
    }
    named = true;
  }
  if (rows.empty()) {
    fail(name.c_str(), 0, "no vectors in it");
  }
  return rows;
}

std::string from_hex(const std::string& digits) {
  std::string bytes;
  for (size_t i = 0; i + 1 < digits.size(); i += 2) {
    bytes += static_cast<char>(std::strtoul(digits.substr(i, 2).c_str(), nullptr, 16));
  }
  return bytes;
}

}  // namespace check

int main(int argc, char* argv[]) {
  if (argc < 2) {
    std::cerr << "usage: host_tests VECTORS\n";
    return 2;
  }
  check::vector_folder = argv[1];
  for (const check::Test& test : check::tests()) {
    const int before = check::failures;
    test.run();
    std::cout << (check::failures == before ? "ok   " : "FAIL ") << test.name << "\n";
  }
  std::cout << check::tests().size() << " tests, " << check::failures << " failures\n";
  return check::failures == 0 ? 0 : 1;
}
