// A test runner of a page: TEST(name) { CHECK(...); }.
#pragma once

#include <iostream>
#include <sstream>
#include <string>
#include <vector>

namespace check {

struct Test {
  const char* name;
  void (*run)();
};

std::vector<Test>& tests();
void fail(const char* file, int line, const std::string& what);
// Where the test vectors are, as given on the command line.
const std::string& vectors();

struct Registered {
  Registered(const char* name, void (*run)()) { tests().push_back({name, run}); }
};

template <class A, class B>
void equal(const char* file, int line, const char* text, const A& a, const B& b) {
  if (a == b) {
    return;
  }
  std::ostringstream what;
  what << text << ": " << a << " is not " << b;
  fail(file, line, what.str());
}

// The records of a file of vectors, each a row of fields; the row of names is left out.
std::vector<std::vector<std::string>> records(const std::string& name);
std::string from_hex(const std::string& digits);

}  // namespace check

#define TEST(name)                                         \
  static void test_##name();                               \
  static check::Registered registered_##name(#name, test_##name); \
  static void test_##name()
#define CHECK(what) \
  if (!(what)) check::fail(__FILE__, __LINE__, #what)
#define CHECK_EQUAL(a, b) check::equal(__FILE__, __LINE__, #a, (a), (b))
