// A plain HTTP client for the tests, and folders and servers that clean up behind themselves.
#pragma once

#include <boost/asio/io_context.hpp>
#include <boost/asio/ip/tcp.hpp>
#include <boost/asio/write.hpp>
#include <boost/beast/core.hpp>
#include <boost/beast/http.hpp>
#include <chrono>
#include <filesystem>
#include <fstream>
#include <mutex>
#include <nlohmann/json.hpp>
#include <string>
#include <thread>
#include <vector>

namespace rayset::testing {

using Json = nlohmann::ordered_json;
using Headers = std::vector<std::pair<std::string, std::string>>;

struct Folder {
  std::filesystem::path path;
  Folder() {
    std::string name = (std::filesystem::temp_directory_path() / "rayset-server-XXXXXX").string();
    path = mkdtemp(name.data());
  }
  Folder(const Folder&) = delete;
  Folder& operator=(const Folder&) = delete;
  ~Folder() {
    std::error_code ignored;
    std::filesystem::remove_all(path, ignored);
  }
};

struct Answer {
  int status = 0;
  Headers headers;
  std::string body;
  [[nodiscard]] Json json() const { return Json::parse(body, nullptr, false); }
  [[nodiscard]] std::string header(const std::string& name) const {
    for (const auto& [key, value] : headers)
      if (boost::beast::iequals(key, name)) return value;
    return {};
  }
  [[nodiscard]] std::string what() const {
    const Json j = json();
    return j.is_object() && j.contains("error") ? j["error"]["what"].get<std::string>() : body.substr(0, 300);
  }
};

/// One connection; `host` as the page would send it unless told otherwise.
class Client {
 public:
  explicit Client(std::uint16_t port) : port_(port), socket_(context_) {
    socket_.connect({boost::asio::ip::address_v4::loopback(), port});
  }

  Answer send(const std::string& method, const std::string& target, const std::string& body = {},
              const Headers& more = {}) {
    namespace http = boost::beast::http;
    http::request<http::string_body> request;
    request.version(11);
    request.method_string(method);
    request.target(target);
    request.set(http::field::host, "127.0.0.1:" + std::to_string(port_));
    if (method != "GET") request.set("X-Rayset", "1");
    for (const auto& [key, value] : more) {
      if (value.empty())
        request.erase(key);
      else
        request.set(key, value);
    }
    request.body() = body;
    request.prepare_payload();
    http::write(socket_, request);
    return read();
  }
  Answer read() {
    namespace http = boost::beast::http;
    http::response_parser<http::string_body> parser;
    parser.body_limit(std::uint64_t{1} << 31U);
    boost::beast::error_code ec;
    http::read(socket_, buffer_, parser, ec);
    Answer answer;
    if (ec) return answer;
    answer.status = static_cast<int>(parser.get().result_int());
    for (const auto& f : parser.get())
      answer.headers.emplace_back(std::string(f.name_string()), std::string(f.value()));
    answer.body = parser.get().body();
    return answer;
  }
  /// Bytes as they are.
  void raw(const std::string& bytes) { boost::asio::write(socket_, boost::asio::buffer(bytes)); }
  void close() { socket_.close(); }
  boost::asio::ip::tcp::socket& socket() { return socket_; }

 private:
  std::uint16_t port_;
  boost::asio::io_context context_;
  boost::asio::ip::tcp::socket socket_;
  boost::beast::flat_buffer buffer_;
};

/// On a connection of its own.
inline Answer ask(std::uint16_t port, const std::string& method, const std::string& target,
                  const std::string& body = {}, const Headers& more = {}) {
  return Client(port).send(method, target, body, more);
}

/// Reads events in a thread until it is destroyed.
class Ear {
 public:
  Ear(std::uint16_t port, const std::string& target) : client_(port) {
    client_.raw("GET " + target + " HTTP/1.1\r\nHost: 127.0.0.1:" + std::to_string(port) + "\r\n\r\n");
    thread_ = std::thread([this] {
      std::array<char, 4096> piece{};
      boost::system::error_code ec;
      while (!ec) {
        const std::size_t n = client_.socket().read_some(boost::asio::buffer(piece), ec);
        const std::lock_guard lock(mutex_);
        heard_.append(piece.data(), n);
      }
    });
  }
  ~Ear() {
    boost::system::error_code ignored;
    client_.socket().shutdown(boost::asio::ip::tcp::socket::shutdown_both, ignored);
    thread_.join();
  }
  Ear(const Ear&) = delete;
  Ear& operator=(const Ear&) = delete;
  [[nodiscard]] std::string heard() {
    const std::lock_guard lock(mutex_);
    return heard_;
  }
  /// Waits until the text was heard.
  [[nodiscard]] bool hears(const std::string& text, int seconds = 10) {
    for (int n = 0; n < 50 * seconds; ++n) {
      if (heard().find(text) != std::string::npos) return true;
      std::this_thread::sleep_for(std::chrono::milliseconds(20));
    }
    return false;
  }

 private:
  Client client_;
  std::mutex mutex_;
  std::string heard_;
  std::thread thread_;
};

}  // namespace rayset::testing
